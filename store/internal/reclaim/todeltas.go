package reclaim

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Slabs that were written without deltas are stored anew with them: moved as a whole, batch by batch, those of the oldest
// captures first. Each batch is committed like rests that are moved, so that a run that is stopped loses one batch at most,
// and of that finds again what had arrived. What was stored anew says so (format.SlabTable.Alike), and so does what is captured
// with deltas on, and with own ones not: that no later run takes it again, gain or not, is known from the slabs themselves, on any machine and in any place.

// ToDeltas says how much is stored anew. It is valid.
type ToDeltas struct {
	For   time.Duration // no batch is begun that would probably end later; 0: as long as it takes
	Batch int64         // bytes of slabs that are stored anew at a time; 0: see batchBytes
	Room  int64         // bytes that are free before anything comes free, and may be taken; 0: any number
	Full  bool          // there is no room, whatever comes free

	Begin func(slabs int, bytes int64) // called before the first is stored anew, if any is; or nil
}

// Anew says what was stored anew, or would be, and what is left.
type Anew struct {
	Slabs     int
	Bytes     int64 // of those slabs, before
	Written   int64 // in their place
	Left      int   // slabs that are still to be stored anew
	LeftBytes int64
	NoRoom    bool  // it ended for want of room
	Needs     int64 // bytes that have to be free for the next batch, where there was no room
}

// ErrNoDeltas is returned where something is to be stored anew with deltas, and they are off.
var ErrNoDeltas = errors.New("deltas are off, so that nothing can be stored anew with them")

const (
	// batchLeast is how many bytes of slabs are stored anew at a time, at the least: a minute or some.
	batchLeast = 512 << 20
	// batchPerCapture is how many more for each capture: a batch may give each a further index file, of some KiB.
	batchPerCapture = 1 << 20
	// spareRoom is what stays free beside a batch, or a quarter of the room where that is less: what is captured meanwhile, index
	// files and tables. Common practice, no source.
	spareRoom = 64 << 20
)

// batchBytes gives how many bytes of slabs are stored anew at a time.
func (v *survey) batchBytes(o *ToDeltas) int64 {
	return cmp.Or(o.Batch, batchLeast+int64(len(v.captures))*batchPerCapture)
}

// takesDeltas fails with ErrNoDeltas, or with ErrBadOptions where captures are kept apart.
func (r *Keeper) takesDeltas(ctx context.Context) error {
	if r.vault.Apart() != vault.Together {
		return fmt.Errorf("%w: captures are kept apart, so that nothing can be stored anew with deltas: lengths would tell what contents are alike", vault.ErrBadOptions)
	}
	deltas, err := r.vault.Deltas(ctx)
	if err == nil && deltas == "" {
		err = ErrNoDeltas
	}
	return err
}

// storeAnew stores batches anew, as long as there is time and room.
func (c *reclaimer) storeAnew(ctx context.Context) error {
	begun, last, out := time.Now(), time.Duration(0), &Anew{}
	c.out.ToDeltas = out
	o := c.o.ToDeltas.with(c.out.Freed)
	room, there := o.Room, c.v.stock // what is put from now on is not taken
	said := make(map[format.SlabID]bool)
	for first := true; ; first = false {
		others, err := c.r.leases.Others(ctx, c.lease)
		if err != nil {
			return err
		}
		lots, err := c.v.withoutDeltas(ctx, others, said)
		if err != nil {
			return err
		}
		lots = slices.DeleteFunc(lots, func(lot []*stocked) bool { return there[lot[0].id] == nil })
		out.Left, out.LeftBytes = total(lots)
		if first {
			c.o.Meter.Expect(out.LeftBytes)
		}
		batch := c.v.batchOf(lots, o, room)
		out.noteRoom(batch, lots)
		if most := o.For; len(batch) == 0 || c.allRefused() || !first && most > 0 && time.Since(begun)+last > most {
			break
		}
		if first {
			if err := c.mayRemove(ctx); err != nil {
				return err
			}
			if begin := o.Begin; begin != nil {
				begin(out.Left, out.LeftBytes)
			}
		}
		began, freed := time.Now(), c.out.Freed
		written, err := c.storeBatch(ctx, batch)
		out.Written += written
		if err != nil {
			return err
		}
		last = time.Since(began)
		if room > 0 {
			room = max(1, room-written+c.out.Freed-freed)
		}
	}
	c.o.Meter.Done()
	return nil
}

// with gives how much is stored anew where some bytes came free before.
func (o *ToDeltas) with(freed int64) *ToDeltas {
	more := *o
	if o.Room > 0 {
		more.Room += freed
	}
	return &more
}

// storeBatch stores slabs anew, and announces those that they were.
func (c *reclaimer) storeBatch(ctx context.Context, batch []*stocked) (int64, error) {
	m := &mover{
		r: c.r, v: c.v, left: make(map[format.SlabID]bool), ids: make(map[format.SlabID][]crypt.Identity),
		memo: make(map[string]*format.Recipe), meter: c.o.Meter, alike: true,
	}
	for _, s := range batch {
		m.left[s.id] = true
	}
	m.take = func(ctx context.Context) error { return m.moveInTurn(ctx, batch) }
	written, err := m.run(ctx, c.lease, batch)
	c.out.Written += written
	if err != nil {
		return written, err
	}
	_, bytes := total([][]*stocked{batch})
	c.out.Moved += len(batch)
	c.out.ToDeltas.Slabs, c.out.ToDeltas.Bytes = c.out.ToDeltas.Slabs+len(batch), c.out.ToDeltas.Bytes+bytes
	return written, c.pass(ctx)
}

// noteRoom notes whether there was no room for a batch of some lots, and how much it takes.
func (a *Anew) noteRoom(batch []*stocked, lots [][]*stocked) {
	if a.NoRoom, a.Needs = len(batch) == 0 && len(lots) > 0, 0; !a.NoRoom {
		return
	}
	_, bytes := total(lots[:1])
	written := bytes/8*9 + 9
	a.Needs = written + min(spareRoom, written/3) + 2
}

// and is Report.and.
func (earlier *Anew) and(a *Anew) *Anew {
	if earlier == nil || a == nil {
		return cmp.Or(a, earlier)
	}
	a.Slabs, a.Bytes, a.Written = a.Slabs+earlier.Slabs, a.Bytes+earlier.Bytes, a.Written+earlier.Written
	return a
}

// total counts the slabs of lots, each once, and their bytes.
func total(lots [][]*stocked) (slabs int, bytes int64) {
	seen := make(map[*stocked]bool)
	for _, lot := range lots {
		for _, s := range lot {
			if !seen[s] {
				seen[s] = true
				slabs, bytes = slabs+1, bytes+s.info.Size
			}
		}
	}
	return slabs, bytes
}

// batchOf gives the slabs of the first lots, as many as a batch takes and there is room for; none: there is none for the first.
func (v *survey) batchOf(lots [][]*stocked, o *ToDeltas, room int64) (batch []*stocked) {
	most, fits := v.batchBytes(o), int64(math.MaxInt64)
	switch {
	case o.Full:
		fits = 0
	case room > 0:
		// What is stored anew may come to a little more than before: no more than padding.
		fits = (room - min(spareRoom, o.Room/4)) * 8 / 9
	}
	var bytes int64
	seen := make(map[*stocked]bool)
	for _, lot := range lots {
		if bytes >= most {
			break
		}
		_, more := total([][]*stocked{slices.DeleteFunc(slices.Clone(lot), func(s *stocked) bool { return seen[s] })})
		if bytes+more > fits {
			break
		}
		for _, s := range lot {
			if !seen[s] {
				seen[s] = true
				batch = append(batch, s)
			}
		}
		bytes += more
	}
	return batch
}

// withoutDeltas gives the slabs that are to be stored anew, each with those that stand on it: of the oldest captures first.
// What slabs say of themselves is kept in said.
func (v *survey) withoutDeltas(ctx context.Context, others []lease.Writer, said map[format.SlabID]bool) (lots [][]*stocked, err error) {
	if v.blind != nil {
		return nil, nil // the old ones would stay beside what was moved
	}
	stays := v.staying(others)
	there := slices.DeleteFunc(v.inTurn(), func(s *stocked) bool { return stays[s] })
	ask := func(ctx context.Context, s *stocked) (bool, error) {
		if alike, ok := said[s.id]; ok {
			return alike, nil
		}
		return v.saysAlike(ctx, s)
	}
	now := make(map[format.SlabID]bool) // several ask at a time
	defer func() { maps.Copy(said, now) }()
	err = vault.InOrder(ctx, there, vault.Askers, ask, func(s *stocked, alike bool, err error) error {
		if err != nil {
			return err
		}
		if now[s.id] = alike; alike {
			return nil
		}
		if lot := v.lot(s); !slices.ContainsFunc(lot, func(s *stocked) bool { return stays[s] }) {
			lots = append(lots, lot)
		}
		return nil
	})
	return lots, err
}

// saysAlike tells whether a slab says that what it holds was held against all that it might be alike, which a writer does not say
// that held it against the same capture alone. One that can't be read does: it stays.
func (v *survey) saysAlike(ctx context.Context, s *stocked) (bool, error) {
	slab, err := v.r.slabs.Open(ctx, s.id)
	if vault.IsDamage(err) {
		return true, nil
	}
	if err != nil {
		return false, err
	}
	return slab.Alike, nil
}

// allAlike tells whether all slabs say so.
func (v *survey) allAlike(ctx context.Context, slabs []*stocked) (bool, error) {
	for _, s := range slabs {
		if alike, err := v.saysAlike(ctx, s); err != nil || !alike {
			return false, err
		}
	}
	return true, nil
}

// inTurn gives the slabs that captures name: those of which the oldest one has some first, in the order in which they were put.
func (v *survey) inTurn() (slabs []*stocked) {
	place := make(map[*stocked]int)
	for i, s := range v.order {
		place[s] = i
	}
	seen := make(map[*stocked]bool)
	for _, c := range v.byAge() {
		var own []*stocked
		for _, recipe := range weave.Recipes(c) {
			for _, s := range v.walked[weave.RecipeKey(recipe)] {
				if _, there := place[s]; there && !seen[s] {
					seen[s] = true
					own = append(own, s)
				}
			}
		}
		slices.SortFunc(own, func(a, b *stocked) int { return place[a] - place[b] })
		slabs = append(slabs, own...)
	}
	return slabs
}

// byAge gives the captures that stay, in the order in which they were made.
func (v *survey) byAge() []*ledger.Capture {
	stay := slices.DeleteFunc(slices.Clone(v.captures), v.expired)
	slices.SortStableFunc(stay, func(a, b *ledger.Capture) int { return cmp.Or(a.Written.Compare(b.Written), cmp.Compare(a.ID, b.ID)) })
	return stay
}
