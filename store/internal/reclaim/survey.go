package reclaim

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// survey is what a repository holds and what of it is needed, chunk by chunk.
// It takes 4 bytes and 5 bits a chunk, beside the sets of slabs by recipe.
type survey struct {
	r      *Keeper
	before *survey   // an earlier look; nil: this is the first
	now    time.Time // by the medium's clock
	grace  time.Duration

	files      []storage.Info    // index files of all generations
	captures   []*ledger.Capture // retired ones, too
	superseded []storage.Info    // index files in whose place others have come
	stand      *ledger.Standing
	going      *ledger.Batches
	rehearsed  *ledger.Rehearsals // their names alone
	slabs      vault.SlabList
	stock      map[format.SlabID]*stocked
	absent     map[format.SlabID]*stocked // slabs that are missing, and may come back: what they stand on stays
	order      []*stocked                 // by when they were put, to make moving deterministic

	wanted  bitset // chunks of captures that are not retired
	needed  bitset // those, and chunks of captures retired within the grace time; of both, what they stand on, too
	asked   bitset // of the needed ones, those that recipes name
	direct  bitset // of the needed ones, those that are not only there to list runs
	listing bitset // of the direct ones, those of member lists and the like

	walked map[string][]*stocked // by recipe: the slabs that it names, at all levels
	blind  *stocked              // see noteBlind
}

// stocked is a slab that there is, or one that is absent.
type stocked struct {
	id     format.SlabID
	info   storage.Info
	frames []format.Frame // nil where they can't be known
	group  []byte         // of the captures that it was written for; nil: of any
	first  int            // number of its first chunk among those of all slabs
	chunks int
	// short says that a recipe names chunks behind the last one that the table tells of: what it says is not
	// so, and nothing of the slab is taken for unneeded.
	short bool
	// also is what is said otherwise of its frames: by further tables, and by itself. What any of them stand on by that stays.
	also []format.Frame

	below, above []*stocked // on which its frames stand, and whose frames stand on it
}

type bitset []uint64

func (b bitset) set(i int)      { b[i/64] |= 1 << (i % 64) }
func (b bitset) has(i int) bool { return b[i/64]&(1<<(i%64)) != 0 }

// any tells whether one of the bits from i to j-1 is set.
func (b bitset) any(i, j int) bool {
	for ; i < j; i++ {
		if i%64 == 0 && j-i >= 64 && b[i/64] == 0 {
			i += 63
			continue
		}
		if b.has(i) {
			return true
		}
	}
	return false
}

// survey reads all index files, marks and tables. It refuses to go on where it can't
// know what is needed. What an earlier look of the same run read of index files, and of what they
// name, is not read again: objects don't change.
func (r *Keeper) survey(ctx context.Context, now time.Time, grace time.Duration, before *survey) (*survey, error) {
	v := &survey{r: r, before: before, now: now, grace: grace, stock: make(map[format.SlabID]*stocked), absent: make(map[format.SlabID]*stocked), walked: make(map[string][]*stocked)}
	for _, step := range []func(context.Context) error{v.readMarks, v.readCaptures, v.readSlabs, v.markNeeds} {
		if err := step(ctx); err != nil {
			return nil, err
		}
	}
	return v, nil
}

func (v *survey) readMarks(ctx context.Context) (err error) {
	if v.going, err = v.r.ledger.ReadBatches(ctx); err != nil {
		return err
	}
	if v.rehearsed, err = v.r.ledger.ListRehearsals(ctx); err != nil {
		return err
	}
	v.stand, err = v.r.ledger.ReadStanding(ctx)
	return err
}

// readCaptures reads the index files, and makes sure that none is missing.
func (v *survey) readCaptures(ctx context.Context) (err error) {
	if v.files, err = v.r.vault.Look(ctx, names.Captures); err != nil {
		return err
	}
	v.r.ledger.Untear(ctx, v.files)
	captures, damage, again, err := v.r.ledger.ReadBut(ctx, ledger.Generations(v.files), v.known())
	if err != nil {
		return err
	}
	if again {
		return fmt.Errorf("listing %s: index files went meanwhile: %w", names.Captures, lease.ErrBusy)
	}
	if err := ledger.JoinDamage(damage); err != nil {
		return fmt.Errorf("index files can't be read, so that what they need is not known and nothing is removed: %w", err)
	}
	v.stand.Apply(captures)
	v.captures = captures
	v.superseded = supersededFiles(v.files, captures)
	return v.checkVanished(ctx)
}

// known gives the captures of the look before, which is let go of.
func (v *survey) known() map[string]*ledger.Capture {
	known := make(map[string]*ledger.Capture)
	if v.before != nil {
		for _, c := range v.before.captures {
			known[c.Info.Name] = c
		}
	}
	v.before = nil
	return known
}

// supersededFiles gives the index files in whose place those of captures have
// come, lower generations first.
func supersededFiles(files []storage.Info, captures []*ledger.Capture) (old []storage.Info) {
	counts := make(map[string]int)
	for _, c := range captures {
		counts[c.ID] = c.Generation
	}
	for _, files := range ledger.Generations(files) {
		for _, f := range slices.Backward(files) {
			id, generation, _ := names.ParseCapture(f.Info.Name)
			// Not a higher one that can't be read: what it was to replace is what counts.
			if g, ok := counts[id]; ok && generation < g {
				old = append(old, f.Info)
			}
		}
	}
	return old
}

func (v *survey) checkVanished(ctx context.Context) error {
	gone := v.going.Departures()
	elsewhere, err := v.r.ledger.ReadElsewhere(ctx)
	if err != nil {
		return err
	}
	missing, came, err := v.r.ledger.Vanished(ctx, v.captures, v.files, gone.With(elsewhere.Captures))
	if err != nil {
		return err
	}
	marked, late, err := v.r.ledger.Marked(ctx, v.stand, v.files, gone)
	if err != nil {
		return err
	}
	if late = append(came, late...); len(late) > 0 {
		// What it needs is not known, and without a grace time nobody looks again.
		return fmt.Errorf("%s is there and was not listed, so that what it needs is not known: the listing is late: %w", names.Capture(late[0], 0), lease.ErrBusy)
	}
	maps.Copy(missing, marked)
	if len(missing) == 0 {
		return nil
	}
	ids := slices.Sorted(maps.Keys(missing))
	return &VanishedError{ids}
}

// readSlabs takes stock of the slabs, by the tables, or by what a slab itself says
// where no table lists it.
func (v *survey) readSlabs(ctx context.Context) (err error) {
	if v.slabs, err = v.r.vault.ListSlabs(ctx); err != nil {
		return err
	}
	for _, object := range v.slabs {
		s := &stocked{id: object.ID, info: object.Info}
		v.stock[s.id] = s
		v.order = append(v.order, s)
	}
	add := func(s *stocked, rec *format.SlabRecord) { s.frames, s.group = framesOf(rec), rec.Group }
	denied := make(map[*stocked]bool)
	err = v.r.stock.TakeAll(ctx, v.slabs, func(rec *format.SlabRecord) error {
		add(v.stock[rec.Slab], rec)
		return nil
	}, func(rec *format.SlabRecord) {
		s := v.missing(rec.Slab)
		if s.frames == nil {
			add(s, rec)
			return
		}
		s.saidAlso(framesOf(rec))
	}, func(rec *format.SlabRecord) {
		s := v.stock[rec.Slab]
		s.saidAlso(framesOf(rec))
		denied[s] = true
	})
	if err != nil {
		return err
	}
	for s := range denied {
		slab, err := v.r.slabs.Open(ctx, s.id)
		if err != nil && !vault.IsDamage(err) {
			return err
		}
		if err == nil {
			s.saidAlso(slab.Frames)
		}
	}
	return v.layOut(ctx)
}

func framesOf(rec *format.SlabRecord) []format.Frame {
	frames := make([]format.Frame, len(rec.Frames))
	for i := range frames {
		frames[i] = rec.Frames[i].Frame()
	}
	return frames
}

// saidAlso notes what is said besides of the frames of a slab that stand on others.
func (s *stocked) saidAlso(frames []format.Frame) {
	if slices.EqualFunc(frames, s.frames, func(a, b format.Frame) bool { return a.SameAs(&b.Standing) }) {
		return
	}
	for i := range frames {
		if len(frames[i].Bases) > 0 {
			s.also = append(s.also, frames[i])
		}
	}
}

// missing gives an absent slab; of one that no table lists, the frames are not known.
func (v *survey) missing(id format.SlabID) *stocked {
	s := v.absent[id]
	if s == nil {
		s = &stocked{id: id}
		v.absent[id] = s
	}
	return s
}

// at gives a slab, be it there or absent.
func (v *survey) at(id format.SlabID) *stocked {
	if s := v.stock[id]; s != nil {
		return s
	}
	return v.missing(id)
}

// layOut numbers all chunks.
func (v *survey) layOut(ctx context.Context) error {
	slices.SortStableFunc(v.order, func(a, b *stocked) int { return a.info.Modified.Compare(b.info.Modified) })
	n := 0
	for _, s := range v.order {
		if s.frames == nil {
			// No table lists it, as where a writer was stopped: it says itself what it holds. Where
			// it does not, its frames stay unknown, and a recipe that names it keeps it as a whole.
			slab, err := v.r.slabs.Open(ctx, s.id)
			if err != nil && !vault.IsDamage(err) {
				return err
			}
			if err == nil {
				s.frames, s.group = slab.Frames, slab.Group
			}
		}
		n = s.number(n)
	}
	for _, s := range v.absent {
		n = s.number(n)
	}
	for _, b := range []*bitset{&v.wanted, &v.needed, &v.asked, &v.direct, &v.listing} {
		*b = make(bitset, n/64+1)
	}
	v.linkBases()
	return nil
}

// number numbers the chunks from n on, and gives the number behind the last one.
func (s *stocked) number(n int) int {
	s.first = n
	for i := range s.frames {
		s.chunks += len(s.frames[i].Chunks)
	}
	return n + s.chunks
}

// expired tells whether a capture was retired so long ago that it may go.
func (v *survey) expired(c *ledger.Capture) bool {
	// With a grace time of none no clock is asked: that of the mark may be ahead of this one.
	return c.Retired != nil && (v.grace <= 0 || v.now.Sub(c.Retired.At) >= v.grace)
}

// markNeeds notes which chunks the captures need.
func (v *survey) markNeeds(ctx context.Context) error {
	stay := slices.DeleteFunc(slices.Clone(v.captures), v.expired)
	if err := v.needAll(ctx, stay...); err != nil {
		return err
	}
	v.holdBases()
	return nil
}

// needAll notes that captures need all of their chunks. The recipes of several are read at a time:
// over a share that takes calls where they have several levels.
func (v *survey) needAll(ctx context.Context, captures ...*ledger.Capture) error {
	var all [][]*needing // those of one capture lie in the same few slabs: beside each other they would wait for one another
	begun := make(map[string]bool)
	for _, c := range captures {
		var own []*needing
		for i := range c.Volumes {
			for _, p := range weave.Parts(&c.Volumes[i]) {
				own = v.needs(own, begun, c, p.Recipe, p.Use != weave.ForContents)
			}
		}
		if seen := c.Seen; seen != nil {
			own = v.needs(own, begun, c, seen, true)
		}
		if len(own) > 0 {
			all = append(all, own)
		}
	}
	return vault.InOrder(ctx, all, vault.Askers, v.readNeeds, func(own []*needing, runs [][]neededRun, err error) error {
		if err != nil {
			return fmt.Errorf("capture %s: what it needs is not known, so that nothing is removed: %w", own[0].capture.ID, err)
		}
		for i, n := range own {
			v.need(n, runs[i])
		}
		return nil
	})
}

// needing is a recipe of a capture.
type needing struct {
	capture *ledger.Capture
	recipe  *format.Recipe
	listing bool // it lists something, and is no content
}

// key tells recipes apart: once for those who want what it names, and once for the others suffices.
func (n *needing) key() string {
	key := weave.RecipeKey(n.recipe)
	if n.capture.Retired == nil {
		key += "+"
	}
	return key
}

// needs adds a recipe unless it was walked, or begun.
func (v *survey) needs(all []*needing, begun map[string]bool, c *ledger.Capture, recipe *format.Recipe, listing bool) []*needing {
	n := &needing{c, recipe, listing}
	key := n.key()
	if _, ok := v.walked[key]; ok || begun[key] {
		return all
	}
	begun[key] = true
	return append(all, n)
}

// neededRun is a run that a recipe names, or that its runs are listed in.
type neededRun struct {
	format.Run
	direct bool
}

// readNeeds gives the runs of each recipe.
func (v *survey) readNeeds(ctx context.Context, own []*needing) (all [][]neededRun, err error) {
	for _, n := range own {
		runs, err := v.readRuns(ctx, n)
		if err != nil {
			return nil, err
		}
		all = append(all, runs)
	}
	return all, nil
}

// readRuns gives the runs of a recipe, and of those above it that list them: the chunks of the
// outer levels hold the runs of the next one, and are as needed.
func (v *survey) readRuns(ctx context.Context, n *needing) (runs []neededRun, err error) {
	for level := range n.recipe.Level + 1 {
		outer := format.Recipe{Level: level, Runs: n.recipe.Runs}
		for run, err := range v.r.slabs.Runs(ctx, &outer) {
			if err != nil {
				return nil, err
			}
			runs = append(runs, neededRun{run, level == n.recipe.Level})
		}
	}
	return runs, nil
}

// need notes that a capture needs the chunks of runs.
func (v *survey) need(n *needing, runs []neededRun) {
	found := make(map[*stocked]bool)
	for _, run := range runs {
		s := v.at(run.Slab)
		found[s] = true
		v.markRun(s, run.Run, n.capture.Retired == nil, run.direct, run.direct && n.listing)
	}
	slabs := make([]*stocked, 0, len(found))
	for s := range found {
		slabs = append(slabs, s)
	}
	// Who wants a chunk needs it as well: those who only need it have nothing to add.
	v.walked[n.key()], v.walked[weave.RecipeKey(n.recipe)] = slabs, slabs
}

func (v *survey) markRun(s *stocked, run format.Run, wanted, direct, listing bool) {
	s.short = s.short || s.frames != nil && int(run.First)+int(run.Count) > s.chunks
	for n := int(run.First); n < int(run.First)+int(run.Count) && n < s.chunks; n++ {
		at := s.first + n
		v.needed.set(at)
		v.asked.set(at)
		if wanted {
			v.wanted.set(at)
		}
		if direct {
			v.direct.set(at)
		}
		if listing {
			v.listing.set(at)
		}
	}
}

// unused tells that nothing of a slab is needed, by the given needs. Of a slab whose
// chunks are not known, something is if a recipe names it.
func (v *survey) unused(s *stocked, needs bitset) bool {
	if s.short || v.blind != nil {
		return false
	}
	if s.frames != nil {
		return !needs.any(s.first, s.first+s.chunks)
	}
	return !v.named(s)
}

// named tells whether a recipe names a slab.
func (v *survey) named(s *stocked) bool {
	for _, slabs := range v.walked {
		if slices.Contains(slabs, s) {
			return true
		}
	}
	return false
}

// dead gives about how many bytes of a slab nothing needs. Of a frame, each chunk
// counts by its length. Padding is not dead: moving the rest would bring as much anew.
func (v *survey) dead(s *stocked) int64 {
	if s.short {
		return 0
	}
	var dead int64
	at := s.first
	for i := range s.frames {
		f := &s.frames[i]
		if f.Padding {
			at += len(f.Chunks)
			continue
		}
		var lost int64
		for _, n := range f.Chunks {
			if !v.needed.has(at) {
				lost += int64(n)
			}
			at++
		}
		// A frame is compressed as a whole: what a chunk takes of it is told by lengths alone.
		dead += int64(f.Sealed) * lost / int64(f.Raw())
	}
	return dead
}
