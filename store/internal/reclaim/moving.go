package reclaim

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// moveRests moves what is needed of partly dead slabs to new ones, and lets the
// captures name those. It tells whether anything was moved.
func (c *reclaimer) moveRests(ctx context.Context) (bool, error) {
	others, err := c.r.leases.Others(ctx, c.lease)
	if err != nil {
		return false, err
	}
	victims := c.v.victims(c.o.MinDead, others)
	if len(victims) == 0 {
		return false, nil
	}
	meter := c.o.Meter
	for _, s := range victims {
		meter.Expect(s.info.Size - c.v.dead(s))
	}
	for _, some := range slabsByGroup(victims) {
		m := &mover{
			r: c.r, v: c.v, apart: c.r.stock.ApartOf(some[0].group), left: make(map[format.SlabID]bool),
			ids: make(map[format.SlabID][]crypt.Identity), memo: make(map[string]*format.Recipe), meter: meter,
		}
		for _, s := range victims {
			m.left[s.id] = true
		}
		if m.alike, err = c.v.allAlike(ctx, some); err != nil {
			return false, err
		}
		m.take = func(ctx context.Context) error { return m.moveSome(ctx, some) }
		written, err := m.run(ctx, c.lease, some)
		c.out.Written += written
		c.out.Moved += len(some)
		if err != nil {
			return false, err
		}
	}
	meter.Done()
	return true, nil
}

// mover moves chunks from some slabs to new ones.
type mover struct {
	r       *Keeper
	v       *survey
	w       *weave.Weaver
	index   *known.Index
	apart   intake.Apart
	left    map[format.SlabID]bool             // slabs of all groups on which nothing new may rely
	ids     map[format.SlabID][]crypt.Identity // of the chunks of the slabs that are left now
	said    map[format.SlabID]*stock.Said      // of those
	instead map[int][]base                     // by number of a chunk that goes: some that were moved and stood on it
	memo    map[string]*format.Recipe          // new recipes by the old ones; nil: as it was
	meter   *vault.Meter
	alike   bool                        // nothing more is gained by looking for what the chunks are alike
	take    func(context.Context) error // takes in the chunks of the slabs that are left now
}

// moveSome takes in the chunks of slabs that are needed. Where some stand on others that are moved as well, both are taken in as they were
// captured, so that a delta finds again what it is like. What stands on slabs that stay is told that by its frames, and comes first.
func (m *mover) moveSome(ctx context.Context, slabs []*stocked) error {
	isLeft := func(base *stocked) bool { return m.left[base.id] }
	if !slices.ContainsFunc(slabs, func(s *stocked) bool { return slices.ContainsFunc(s.below, isLeft) }) {
		return m.moveChunks(ctx, slabs)
	}
	var first, inTurn []*stocked
	for _, s := range slabs {
		if len(s.below) > 0 && !slices.ContainsFunc(s.below, isLeft) {
			first = append(first, s)
		} else {
			inTurn = append(inTurn, s)
		}
	}
	if err := m.moveChunks(ctx, first); err != nil {
		return err
	}
	if err := m.w.Intake.EndSlab(); err != nil {
		return err
	}
	return m.moveInTurn(ctx, inTurn)
}

// run moves the chunks, and then puts new generations of the index files
// concerned. What was moved before it is stopped is found by the next run.
func (m *mover) run(ctx context.Context, l *lease.Lease, victims []*stocked) (_ int64, err error) {
	left := make(map[format.SlabID]bool)
	for _, s := range victims {
		left[s.id] = true
		m.ids[s.id] = make([]crypt.Identity, s.chunks)
	}
	if m.said, err = m.r.stock.SaidOf(ctx, left); err != nil {
		return 0, err
	}
	m.instead = make(map[int][]base)
	if err := m.begin(ctx, l); err != nil {
		return 0, err
	}
	files, err := m.move(ctx)
	if err != nil {
		m.w.Intake.Abandon(context.WithoutCancel(ctx))
		return 0, err
	}
	written, err := m.w.Intake.Close()
	if err != nil {
		return 0, err
	}
	for _, f := range files {
		f.record.Deltas = f.record.Deltas || m.w.Intake.AnyDeltas()
	}
	m.w.TakeBases()
	before, _ := m.v.going.Finals()
	put := l.Follow(m.w.Uses, before)
	for _, f := range files {
		put.Add(names.Capture(f.record.ID, f.generation))
	}
	err = vault.InOrder(ctx, files, vault.Askers,
		func(ctx context.Context, f newFile) (*ledger.Capture, error) {
			if err := l.Check(ctx); err != nil {
				return nil, err
			}
			return m.r.ledger.WriteGeneration(ctx, f.record, f.generation)
		},
		func(f newFile, c *ledger.Capture, err error) error {
			if err == nil {
				written.Bytes += int64(c.Added - f.record.Added)
			}
			return err
		})
	if err != nil {
		return written.Bytes, err
	}
	return written.Bytes, put.Check(ctx)
}

// begin starts to take in by an index that knows all slabs but those that are left and those
// that go, be it later.
//
// So chunks move to slabs that are filled for them, to such as are wanted all the same, or to what a run that was stopped had
// put, which is younger than all that is left. No two runs can move them to and fro: a slab that was left comes back only where
// all that is left in its place is older, and the oldest one of a circle would have to come back, too. What nothing asks for in
// slabs that are wanted falls with each run, but for lists of runs: of those that change, as many levels are left behind,
// at the most, as they have. Further runs have nothing to move then.
func (m *mover) begin(ctx context.Context, l *lease.Lease) error {
	params, err := m.r.vault.Params()
	if err != nil {
		return err
	}
	exclude := stock.NewExclusion(m.v.going)
	latest := m.latest()
	slabs := exclude.From(m.v.slabs).Without(func(s vault.SlabObject) bool {
		return m.left[s.ID] || !s.Modified.After(latest) && m.v.unused(m.v.stock[s.ID], m.v.wanted)
	})
	index, adopted, err := m.r.stock.IndexSlabs(ctx, slabs, exclude, l, m.apart.Group)
	if err != nil {
		return err
	}
	cfg, err := m.r.stock.IntakeConfig(ctx, index)
	if err != nil {
		return err
	}
	cfg.Adopted, cfg.MaxChunk, cfg.Level, cfg.Apart = adopted, format.MaxChunk, zstd.SpeedBetterCompression, m.apart
	cfg.Old, cfg.Alike = weave.OldChunks(m.r.slabs), m.alike
	in, err := intake.New(ctx, cfg)
	if err != nil {
		return err
	}
	index.FindAdded() // nobody else uses it yet
	m.index = index
	m.w = weave.NewWeaver(params, m.meter)
	m.w.Intake = in
	return nil
}

// latest gives when the youngest of the slabs that are left was put.
func (m *mover) latest() (at time.Time) {
	for id := range m.left {
		if put := m.v.stock[id].info.Modified; put.After(at) {
			at = put
		}
	}
	return at
}

// newFile is an index file to be put.
type newFile struct {
	record     *format.IndexFile
	generation int
}

func (m *mover) move(ctx context.Context) ([]newFile, error) {
	if err := m.take(ctx); err != nil {
		return nil, err
	}
	if err := m.w.Intake.StandOn(nil); err != nil {
		return nil, err
	}
	if err := m.w.Intake.Settle(); err != nil {
		return nil, err
	}
	return m.rewriteAll(ctx)
}

// rewriteAll gives the index files that name chunks where they lie now.
func (m *mover) rewriteAll(ctx context.Context) (files []newFile, err error) {
	taken := ledger.TakenBy(m.v.files)
	stay := slices.DeleteFunc(slices.Clone(m.v.captures), m.v.expired)
	ahead := func(ctx context.Context, c *ledger.Capture) (any, error) {
		weave.LookAhead(ctx, m.r.slabs, c, func(r *format.Recipe) bool { return !m.concerns(weave.RecipeKey(r)) })
		return nil, nil
	}
	err = vault.InOrder(ctx, stay, vault.Askers, ahead, func(c *ledger.Capture, _ any, _ error) error {
		record, err := m.rewrite(ctx, c)
		if record == nil || err != nil {
			return err
		}
		generation, err := taken.Next(c.ID, c.Generation)
		files = append(files, newFile{record, generation})
		return err
	})
	return files, err
}

// concerns tells whether a recipe names a slab that is left.
func (m *mover) concerns(key string) bool {
	return slices.ContainsFunc(m.v.walked[key], func(s *stocked) bool { return m.ids[s.id] != nil })
}

// rewrite gives the record of a capture that names chunks where they lie now, or nil
// if it names none that were moved.
func (m *mover) rewrite(ctx context.Context, c *ledger.Capture) (*format.IndexFile, error) {
	record := *c.IndexFile
	record.Volumes = slices.Clone(record.Volumes)
	places := []**format.Recipe{&record.Seen}
	lists := make([]*format.Recipe, len(record.Volumes))
	for i := range record.Volumes {
		v := &record.Volumes[i]
		lists[i] = &v.MemberList
		places = append(places, &lists[i], &v.Stamps, &v.Contents, &v.States, &v.Order)
	}
	changed := false
	for _, place := range places {
		if *place == nil {
			continue
		}
		moved, err := m.recipe(ctx, *place)
		if err != nil {
			return nil, fmt.Errorf("capture %s: %w", c.ID, err)
		}
		if moved != nil {
			*place, changed = moved, true
		}
	}
	if !changed {
		return nil, nil
	}
	for i := range record.Volumes {
		record.Volumes[i].MemberList = *lists[i]
	}
	return &record, nil
}

// recipe gives the recipe in whose place another one comes, or nil if it stays.
func (m *mover) recipe(ctx context.Context, old *format.Recipe) (*format.Recipe, error) {
	key := weave.RecipeKey(old)
	if moved, ok := m.memo[key]; ok {
		return moved, nil
	}
	m.memo[key] = nil
	if !m.concerns(key) {
		return nil, nil
	}
	moved, err := m.w.PutRecipe(*old, func(yield func(format.Run) error) error {
		j := &weave.Joiner{Yield: yield}
		for run, err := range m.r.slabs.Runs(ctx, old) {
			if err != nil {
				return err
			}
			if err := m.moveRun(run, j); err != nil {
				return err
			}
		}
		return j.End()
	})
	if err != nil {
		return nil, err
	}
	m.memo[key] = &moved
	return &moved, nil
}

// moveRun gives the runs that name the chunks of a run where they lie now.
func (m *mover) moveRun(run format.Run, j *weave.Joiner) error {
	ids := m.ids[run.Slab]
	if ids == nil {
		return j.Add(run)
	}
	for n := range run.Count {
		at := run.First + n
		if int(at) >= len(ids) {
			return fmt.Errorf("%w: chunk %d of slab %s is named, and it has %d", format.ErrDamaged, at, run.Slab, len(ids))
		}
		ref, ok := m.index.Lookup(ids[at])
		if !ok {
			return fmt.Errorf("chunk %d of slab %s was not moved", at, run.Slab)
		}
		slab, chunk := m.index.Locate(ref)
		if err := j.Add(format.Run{Slab: slab, First: chunk, Count: 1, Times: run.Times}); err != nil {
			return err
		}
	}
	return nil
}

// slabsByGroup gives the slabs of each group, in the order of the first of each.
func slabsByGroup(slabs []*stocked) [][]*stocked {
	return stock.Gather(slabs, func(s *stocked) string { return string(s.group) })
}
