package reclaim

import (
	"cmp"
	"context"
	"fmt"
	"slices"

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

// maxDead is the share of what is stored that may be dead where nothing else is
// asked for. Half of what a user may be promised: what moves leaves some behind.
const maxDead = 0.03

// victims gives the slabs whose rests are to be moved.
func (v *survey) victims(minDead float64, others []lease.Writer) []*stocked {
	if v.blind != nil {
		return nil // the old ones would stay beside what was moved
	}
	young := v.young(others)
	named := stock.NewExclusion(v.going)
	type partly struct {
		lot   []*stocked
		dead  int64
		share float64
	}
	var all []partly
	var stored, dead int64
	harmed := v.going.Harmed()
	var chosen []*stocked
	stays := make(map[*stocked]bool)
	for _, s := range v.absent {
		stays[s] = true
	}
	for _, s := range v.order {
		stays[s] = young[s.id]
		if frames, ok := harmed[s.id]; ok && s.frames != nil && !v.unused(s, v.needed) {
			stays[s] = true
			if len(frames) > 0 && !v.needsFrames(s, frames) && v.movesAlone(s) {
				chosen = append(chosen, s) // so that what can't be read is gone
			}
			continue
		}
		if s.frames == nil || v.unused(s, v.needed) || named.Covers(s.id, s.info) {
			stays[s] = true
			continue // it can't be moved, or goes as a whole
		}
		stored += s.info.Size
		dead += v.dead(s)
	}
	for _, s := range v.order {
		if stays[s] || v.dead(s) == 0 {
			continue
		}
		lot := v.lot(s)
		if slices.ContainsFunc(lot, func(s *stocked) bool { return stays[s] }) {
			continue
		}
		if n, size := v.freed(lot); n > 0 {
			all = append(all, partly{lot, n, float64(n) / float64(size)})
		}
	}
	slices.SortStableFunc(all, func(a, b partly) int { return cmp.Compare(b.share, a.share) })
	for _, p := range all {
		if minDead > 0 && p.share < minDead || minDead == 0 && float64(dead) <= maxDead*float64(stored-dead) {
			break
		}
		if slices.Contains(chosen, p.lot[0]) {
			continue // with what it stands on
		}
		for _, s := range p.lot {
			if !slices.Contains(chosen, s) {
				chosen = append(chosen, s)
				dead -= v.dead(s)
			}
		}
		stored -= p.dead
	}
	return chosen
}

// movesAlone tells of a slab that nothing stands on it, and that it takes no more once it was moved: deltas whose bases are not
// moved with them become plain, which may take many times as much.
func (v *survey) movesAlone(s *stocked) bool {
	if len(v.lot(s)) > 1 {
		return false
	}
	lot := []*stocked{s}
	n, size := v.freed(lot)
	if slices.ContainsFunc(s.frames, func(f format.Frame) bool { return len(f.Bases) > 0 }) {
		n = size - v.rest(lot, true)
	}
	return n >= 0
}

// freed gives how many bytes come free if some slabs are moved together, and how many they have.
func (v *survey) freed(lot []*stocked) (bytes, size int64) {
	deltas := false
	for _, s := range lot {
		size += s.info.Size
		bytes += v.dead(s)
		deltas = deltas || slices.ContainsFunc(s.frames, func(f format.Frame) bool { return len(f.Bases) > 0 })
	}
	if deltas {
		bytes = size - v.rest(lot, false)
	}
	return bytes, size
}

// needsFrames tells whether a chunk of some frames is needed.
func (v *survey) needsFrames(s *stocked, frames []uint32) bool {
	at := s.first
	for i := range s.frames {
		n := len(s.frames[i].Chunks)
		if slices.Contains(frames, uint32(i)) && v.needed.any(at, at+n) {
			return true
		}
		at += n
	}
	return false
}

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
		m.take = func(ctx context.Context) error { return m.moveChunks(ctx, some) }
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
	r     *Keeper
	v     *survey
	w     *weave.Weaver
	index *known.Index
	apart intake.Apart
	left  map[format.SlabID]bool             // slabs of all groups on which nothing new may rely
	ids   map[format.SlabID][]crypt.Identity // of the chunks of the slabs that are left now
	said  map[format.SlabID]*stock.Said      // of those
	memo  map[string]*format.Recipe          // new recipes by the old ones; nil: as it was
	meter *vault.Meter
	alike bool                        // nothing more is gained by looking for what the chunks are alike
	take  func(context.Context) error // takes in the chunks of the slabs that are left now
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
// that go.
func (m *mover) begin(ctx context.Context, l *lease.Lease) error {
	params, err := m.r.vault.Params()
	if err != nil {
		return err
	}
	exclude := stock.NewExclusion(m.v.going)
	slabs := exclude.From(m.v.slabs).Without(func(s vault.SlabObject) bool { return m.left[s.ID] })
	index, adopted, err := m.r.stock.IndexSlabs(ctx, slabs, exclude, l, m.apart.Group)
	if err != nil {
		return err
	}
	cfg, err := m.r.stock.IntakeConfig(ctx, index)
	if err != nil {
		return err
	}
	cfg.Adopted, cfg.MaxChunk, cfg.Level, cfg.Apart = adopted, format.MaxChunk, zstd.SpeedDefault, m.apart
	cfg.Old, cfg.Alike = weave.OldChunks(m.r.slabs), m.alike
	in, err := intake.New(ctx, cfg)
	if err != nil {
		return err
	}
	m.index = index
	m.w = weave.NewWeaver(params, m.meter)
	m.w.Intake = in
	return nil
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
