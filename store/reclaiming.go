package store

import (
	"context"
	"fmt"
	"time"

	"github.com/kistarchive/kist/store/internal/reclaim"
	"github.com/kistarchive/kist/store/internal/vault"
)

// NoGrace is a grace time of none, for whoever knows that nobody else is at work
// and wants nothing back.
const NoGrace = -time.Nanosecond

// DefaultGrace is the grace time of a repository that was made without one: 7 days.
const DefaultGrace = vault.DefaultGrace

// ReclaimOptions say what is freed.
type ReclaimOptions struct {
	// Grace is how long captures stay after they were retired, and slabs after it
	// was announced that nothing wants them. 0 means the repository's grace time,
	// NoGrace none, and another one below 0 is ErrBadOptions. Writers that are at work are waited for whatever it is.
	Grace time.Duration
	// MinDead is the share of a slab, from 0 to 1, that nothing needs for which the
	// rest is moved to a new slab. 0 means: of as many slabs, the deadest first, as it
	// takes until at most 3 % of what is stored is dead, and further ones where more than that would come free with what is there only
	// for what stands on it; but none of which less than 1 % would come free.
	MinDead float64
	// AcceptUnexplained frees slabs that no capture needs also where that is most of what
	// is stored and no retirement explains it: see ErrUnexplained.
	AcceptUnexplained bool
	// Reserve is how long CreateOptions.Reserve is to be when all is done: what was given back is kept again, and a
	// repository that had none gets one. 0 leaves it as it is then. Where there is no room for it yet, a note says so.
	Reserve int64
	// DryRun finds out what would be done, and writes and removes nothing.
	DryRun bool
	// ToDeltas, if set, also stores anew, with deltas as they are set, what was stored without.
	ToDeltas *ToDeltasOptions
	// Host is where it is done, for people.
	Host string
	// Progress, if set, is called now and then, by one goroutine at a time: with bytes
	// moved to new slabs.
	Progress func(Progress)
	// Waiting, if set, is called before it waits until other machines can see what
	// it announced.
	Waiting func(time.Duration)
	// CantRemove, if set, is called at most once, before the first wait, where the storage refuses to remove what this run itself put
	// just before. Where that is so because the user or key may not remove, the run fails after the waits (fs.ErrPermission); where the
	// storage locks what is put for a time, what is older may go.
	CantRemove func()
}

// ToDeltasOptions say how much of what was stored without deltas is stored anew with them. It is done batch by batch, those slabs
// first that the oldest captures need. A batch is committed by itself: whatever stops a run, the next one goes on behind it, and
// finds again what had arrived of the one after it.
//
// What a slab was goes as all that [Repository.Reclaim] frees, so that both take room for a grace time. A slab is taken once, gain or
// not: what was stored anew says so, and so does what is captured with deltas. One that has some deltas is not taken; but those that
// stand on a slab which is, are. Captures that are retired and still there are not left out.
type ToDeltasOptions struct {
	// For is how long it goes on: no batch is begun but the first one that would probably end later. 0: until all is done.
	For time.Duration
	// Batch is how many bytes of slabs are stored anew at a time, about, and so what is done again after a crash.
	// 0: 512 MiB, and 1 MiB more for each capture, as a batch may give each a further index file.
	Batch int64
	// Room is how many bytes may be written before anything comes free, as those that are free on the medium when the run begins; what the
	// run frees adds to it. It ends where the next
	// batch might come to more than that less 64 MiB, or less a quarter of Room where that is less; each is held to at most 9/8 of what
	// it was. 0: any number.
	Room int64
	// Begin, if set, is called before the first slab is stored anew, with how many there are, and their bytes; where there is none it is
	// not, nor in a dry run.
	Begin func(slabs int, bytes int64)
}

// ToDeltas says what was stored anew with deltas.
type ToDeltas struct {
	Slabs     int   `json:"slabs"`
	Bytes     int64 `json:"bytes"`         // that these had
	Written   int64 `json:"written_bytes"` // in their place, with tables and index files
	Left      int   `json:"left_slabs"`    // are still to be stored anew
	LeftBytes int64 `json:"left_bytes"`
	NoRoom    bool  `json:"no_room,omitempty"`     // it ended, or would at once, as ToDeltasOptions.Room did not suffice
	Needs     int64 `json:"needs_bytes,omitempty"` // then: the Room that the next batch takes
}

// Reclaimed says what [Repository.Reclaim] did, or would do.
type Reclaimed struct {
	Captures  []string `json:"captures"` // ids of those removed
	Slabs     int      `json:"slabs"`    // removed
	Freed     int64    `json:"freed_bytes"`
	Moved     int      `json:"moved_slabs"` // whose rest was moved to new ones
	Written   int64    `json:"written_bytes"`
	Announced int      `json:"announced_slabs"` // go when the grace time has passed, if nothing wants them until then
	Due       int64    `json:"announced_bytes"`
	Retired   int      `json:"retired"` // captures within their grace time
	// Refused are objects that go and that the storage refuses to remove (fs.ErrPermission), as one that locks them for a time does, with
	// RefusedBytes, marks not counted. Captures and slabs among them stay whole, and nobody relies on these slabs; a later run tries again.
	Refused      int   `json:"refused_objects,omitempty"`
	RefusedBytes int64 `json:"refused_bytes,omitempty"`
	// Retained is what the storage goes on keeping of what was removed by any run, where it can tell: see [storage.Retainer].
	Retained      int   `json:"retained_objects,omitempty"`
	RetainedBytes int64 `json:"retained_bytes,omitempty"`
	// Next is when the first of the announced slabs and retired captures can go, by
	// the medium's clock; zero if there are none.
	Next time.Time `json:"next,omitzero"`
	// Notes say what is worth knowing, as marks of a machine whose clock is far ahead.
	Notes []string `json:"notes,omitempty"`
	// Waiting are writers at work: what is to go goes when they are done.
	Waiting []Writer `json:"waiting,omitempty"`
	// ToDeltas is nil where it was not asked for. What was stored anew is among Moved and Written, too.
	ToDeltas *ToDeltas `json:"to_deltas,omitempty"`
}

// Reclaim frees what no capture needs: captures that were retired a grace time
// ago, slabs that nothing needs, and of slabs that are partly needed it moves the
// rest. A slab is removed only when it was announced a grace time ago. So the space of
// a retired capture comes back a grace time later, and that of slabs
// whose rest had to be moved another one; with [NoGrace] all at once.
//
// It may be stopped at any moment and called again, beside any number of
// captures, restores and verifications, but only one at a time: [ErrBusy]. It
// fails with [ErrBadOptions], also where something is to be stored anew with deltas and captures are kept apart; with
// [ErrNoDeltas] where that is so and deltas are off; with fs.ErrPermission where the storage refuses to remove all that was to go,
// which ends moving and storing anew; with [ErrDamaged] or [ErrVanished], removing nothing, where it can't know what is needed, and
// with [ErrUnexplained] where that looks wrong.
func (r *Repository) Reclaim(ctx context.Context, o ReclaimOptions) (out *Reclaimed, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	defer giveBusy(&err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	if !(o.MinDead >= 0 && o.MinDead <= 1) {
		return nil, fmt.Errorf("%w: %v as the dead part of a slab: it is a share from 0 to 1", ErrBadOptions, o.MinDead)
	}
	if o.Grace < 0 && o.Grace != NoGrace {
		return nil, fmt.Errorf("%w: a grace time of %v: it is not below 0; NoGrace is none", ErrBadOptions, o.Grace)
	}
	if o.Grace == 0 {
		o.Grace = r.vault.Grace()
	}
	if err := vault.CheckReserve(o.Reserve); err != nil {
		return nil, err
	}
	if a := o.ToDeltas; a != nil && (a.For < 0 || a.Batch < 0 || a.Room < 0) {
		return nil, fmt.Errorf("%w: what is stored anew is bounded by less than nothing: %+v", ErrBadOptions, *a)
	}
	fresh, err := r.afresh()
	if err != nil {
		return nil, err
	}
	defer fresh.slabs.Close()
	do := fresh.keeper.Reclaim
	if o.DryRun {
		do = fresh.keeper.Plan
	}
	done, err := do(ctx, reclaim.Options{
		Grace: o.Grace, MinDead: o.MinDead, AcceptUnexplained: o.AcceptUnexplained, Reserve: o.Reserve, Host: o.Host, Meter: g.meter("ReclaimOptions.Progress", o.Progress), Waiting: g.waiting(o.Waiting),
		CantRemove: g.cantRemove(o.CantRemove), ToDeltas: g.toDeltas(o.ToDeltas),
	})
	if done == nil {
		return nil, err
	}
	return &Reclaimed{
		Captures: done.Captures, Slabs: done.Slabs, Freed: done.Freed, Moved: done.Moved, Written: done.Written,
		Announced: done.Announced, Due: done.Due, Retired: done.Retired, Next: done.Next, Notes: done.Notes,
		Waiting: givenWriters(done.Waiting), ToDeltas: givenAnew(done.ToDeltas),
		Refused: done.Refused, RefusedBytes: done.Kept, Retained: done.Retained.Objects, RetainedBytes: done.Retained.Bytes,
	}, err
}

func givenAnew(a *reclaim.Anew) *ToDeltas {
	if a == nil {
		return nil
	}
	return &ToDeltas{Slabs: a.Slabs, Bytes: a.Bytes, Written: a.Written, Left: a.Left, LeftBytes: a.LeftBytes, NoRoom: a.NoRoom, Needs: a.Needs}
}
