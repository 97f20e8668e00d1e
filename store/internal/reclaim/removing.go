package reclaim

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// leaving is what really goes: what was named finally and is still not needed. What could not be removed is taken out.
type leaving struct {
	captures []*ledger.Capture
	slabs    map[format.SlabID]*stocked

	staying map[string]bool        // captures of which an index file could not be removed
	stuck   map[format.SlabID]bool // slabs that were to go, and are there
	leases  bool                   // some of the dead could not be removed
}

// remove looks again at what is needed, and removes the rest of what was named
// finally.
func (c *reclaimer) remove(ctx context.Context) error {
	if err := c.look(ctx); err != nil {
		return err
	}
	if err := c.lease.Check(ctx); err != nil {
		return err
	}
	// From here on the order is that of point 4: the word that a capture went, index files,
	// slabs, leases, marks. Whatever stops it, what is still listed is whole.
	g, err := c.v.whatGoes(ctx)
	if err != nil {
		return err
	}
	if err := c.removeCaptures(ctx, g); err != nil {
		return err
	}
	if err := c.removeSuperseded(ctx, g); err != nil {
		return err
	}
	if err := c.removeSlabs(ctx, g); err != nil {
		return err
	}
	dead, err := c.removeDead(ctx, g)
	if err != nil {
		return err
	}
	if len(g.slabs) > 0 || dead {
		// Who does not see the mark any more must not see the slabs, or its lease, either.
		if err := c.wait(ctx, c.patience(lease.ListingLag)); err != nil {
			return err
		}
	}
	return c.removeMarks(ctx, g)
}

// whatGoes holds what was named finally against what is needed now: by all
// captures that stay listed, be they expired.
func (v *survey) whatGoes(ctx context.Context) (*leaving, error) {
	named := make(map[string]bool)
	for _, f := range v.going.Final {
		if f.Record != nil {
			for _, id := range f.Record.Captures {
				named[id] = true
			}
		}
	}
	g := &leaving{slabs: make(map[format.SlabID]*stocked), staying: make(map[string]bool), stuck: make(map[format.SlabID]bool)}
	for _, capture := range v.captures {
		switch {
		case !v.expired(capture): // its needs are known
		case named[capture.ID]:
			g.captures = append(g.captures, capture)
		default:
			// Expired since the mark was put: it stays listed in this run, and so must its slabs.
			if err := v.needAll(ctx, capture); err != nil {
				return nil, err
			}
		}
	}
	v.holdBases()
	for _, f := range v.going.Final {
		if f.Record == nil {
			continue
		}
		for _, id := range f.Record.Slabs {
			// It stays where it is needed again: a writer relied on it while it was only announced,
			// or a capture was taken back.
			if s := v.stock[id]; s != nil && v.unused(s, v.needed) {
				g.slabs[id] = s
			}
		}
	}
	v.together(g.slabs, nil)
	return g, nil
}

// removeCaptures says which captures are no more, and then removes their index
// files, the one that counts last.
func (c *reclaimer) removeCaptures(ctx context.Context, g *leaving) error {
	record := &format.BatchRecord{}
	said := c.v.going.Departures()
	ids := make(map[string]bool)
	for _, capture := range g.captures {
		ids[capture.ID] = true
		// A run that was stopped may have said so already.
		if hash := capture.Hash(); !said.Covers(capture.ID, hash) {
			ledger.Depart(record, capture.ID, hash)
		}
	}
	if len(record.Captures) > 0 {
		if _, err := c.r.ledger.PutBatch(ctx, names.Gone, record); err != nil {
			return err
		}
	}
	going := slices.DeleteFunc(ledger.Generations(c.v.files), func(files []ledger.File) bool { return !ids[idOf(files)] })
	err := vault.InOrder(ctx, going, vault.Askers,
		func(ctx context.Context, files []ledger.File) (bool, error) {
			for _, f := range slices.Backward(files) {
				if gone, err := c.removeLeased(ctx, f.Info); err != nil || !gone {
					return false, err
				}
			}
			return true, nil
		},
		func(files []ledger.File, gone bool, err error) error {
			switch {
			case err != nil:
			case gone:
				c.out.Captures = append(c.out.Captures, idOf(files))
			default:
				g.staying[idOf(files)] = true
			}
			return err
		})
	if err != nil {
		return err
	}
	return c.keepStaying(ctx, g)
}

// keepStaying lets captures stay of which an index file could not be removed, with all slabs that they need: what is listed is whole.
func (c *reclaimer) keepStaying(ctx context.Context, g *leaving) error {
	var stay []*ledger.Capture
	var learned []remember.Capture
	for _, capture := range g.captures {
		if g.staying[capture.ID] {
			stay = append(stay, capture)
			continue
		}
		learned = append(learned, capture.Remembered(remember.Gone))
	}
	c.r.ledger.Learn(learned...)
	if len(stay) == 0 {
		return nil
	}
	g.captures = slices.DeleteFunc(g.captures, func(capture *ledger.Capture) bool { return g.staying[capture.ID] })
	if err := c.v.needAll(ctx, stay...); err != nil {
		return err
	}
	c.v.holdBases()
	c.v.keep(g, func(s *stocked) bool { return !c.v.unused(s, c.v.needed) })
	return nil
}

// keep lets slabs stay that were to go, with all that they stand on.
func (v *survey) keep(g *leaving, is func(*stocked) bool) {
	before := maps.Clone(g.slabs)
	maps.DeleteFunc(g.slabs, func(_ format.SlabID, s *stocked) bool { return is(s) })
	v.together(g.slabs, nil)
	for id := range before {
		g.stuck[id] = g.stuck[id] || g.slabs[id] == nil
	}
	maps.DeleteFunc(g.stuck, func(_ format.SlabID, stuck bool) bool { return !stuck })
}

func idOf(files []ledger.File) string {
	id, _, _ := names.ParseCapture(files[0].Info.Name)
	return id
}

// removeSlabs removes the slabs that go: none before all that stands on it is gone.
func (c *reclaimer) removeSlabs(ctx context.Context, g *leaving) error {
	for left := maps.Clone(g.slabs); len(left) > 0; {
		next := slices.DeleteFunc(slices.Clone(c.v.order), func(s *stocked) bool { return left[s.id] == nil || s.carries(left) })
		if len(next) == 0 { // by tables that lie they stand on each other
			next = slices.DeleteFunc(slices.Clone(c.v.order), func(s *stocked) bool { return left[s.id] == nil })
		}
		refused := make(map[*stocked]bool)
		err := vault.InOrder(ctx, next, vault.Askers,
			func(ctx context.Context, s *stocked) (bool, error) { return c.removeLeased(ctx, s.info) },
			func(s *stocked, gone bool, err error) error {
				delete(left, s.id)
				switch {
				case err != nil:
				case gone:
					c.out.Slabs++
				default:
					refused[s] = true
				}
				return err
			})
		if err != nil {
			return err
		}
		if len(refused) > 0 {
			c.v.keep(g, func(s *stocked) bool { return refused[s] })
			maps.DeleteFunc(left, func(id format.SlabID, _ *stocked) bool { return g.slabs[id] == nil })
		}
	}
	return nil
}

// carries tells whether some of the slabs stands on this one.
func (s *stocked) carries(some map[format.SlabID]*stocked) bool {
	return slices.ContainsFunc(s.above, func(above *stocked) bool { return some[above.id] != nil })
}

// removeEach removes marks, several at a time.
func (c *reclaimer) removeEach(ctx context.Context, marks []string) error {
	return vault.InOrder(ctx, marks, vault.Askers,
		func(ctx context.Context, name string) (bool, error) { return c.removeMark(ctx, name) },
		func(_ string, _ bool, err error) error { return err })
}

// removeLeased is removeObject, as long as nobody can have taken the lease for dead.
func (c *reclaimer) removeLeased(ctx context.Context, info storage.Info) (gone bool, err error) {
	if err := c.lease.Check(ctx); err != nil {
		return false, err
	}
	return c.removeObject(ctx, info)
}

// removeObject removes an object and counts its bytes. It tells whether it is gone: what the storage refuses to remove is no error, and
// left for a later run, as if this one had been stopped before.
func (c *reclaimer) removeObject(ctx context.Context, info storage.Info) (gone bool, err error) {
	err = c.r.storage.Remove(ctx, info.Name)
	if errors.Is(err, storage.ErrNotFound) {
		return true, nil // by a run that was stopped
	}
	c.freeing.Lock()
	defer c.freeing.Unlock()
	if err == nil {
		c.out.Freed += info.Size
		delete(c.refused, info.Name)
		return true, nil
	}
	if errors.Is(err, fs.ErrPermission) {
		c.refused[info.Name], c.refusal = info.Size, cmp.Or(c.refusal, err)
		return false, nil
	}
	return false, err
}

// removeMarks removes the marks of what is gone, and those that are done with.
func (c *reclaimer) removeMarks(ctx context.Context, g *leaving) error {
	var old []string
	for _, capture := range g.captures {
		old = slices.Concat(old, c.v.stand.All[capture.ID], c.v.rehearsed.Names[capture.ID])
	}
	old = append(old, c.v.stand.Over(c.v.isGone(g))...)
	if err := c.removeEach(ctx, old); err != nil {
		return err
	}
	c.v.forget(g)
	for _, b := range c.v.going.Announced {
		if b.Record != nil && c.waits(b) {
			continue
		}
		if _, err := c.removeMark(ctx, b.Info.Name); err != nil {
			return err
		}
	}
	// Last: who does not find them any more must not find what they name, either (point 1).
	for _, f := range c.v.going.Final {
		c.tried[f.Info.Name] = true
		if g.names(f) {
			continue
		}
		if _, err := c.removeMark(ctx, f.Info.Name); err != nil {
			return err
		}
	}
	var err error
	c.v.going, err = c.r.ledger.ReadBatches(ctx)
	return err
}

// names tells whether a mark names what could not be removed, or leases could not be (point 5): it stays then, and the next run goes on.
func (g *leaving) names(f ledger.Batch) bool {
	if g.leases || f.Record == nil {
		return g.leases
	}
	return slices.ContainsFunc(f.Record.Slabs, func(id format.SlabID) bool { return g.stuck[id] }) ||
		slices.ContainsFunc(f.Record.Captures, func(id string) bool { return g.staying[id] })
}

// isGone tells which captures are gone, with those that just went.
func (v *survey) isGone(g *leaving) func(id string) bool {
	there := make(map[string]bool)
	for _, id := range ledger.CaptureIDs(v.files) {
		there[id] = true
	}
	for _, c := range g.captures {
		delete(there, c.ID)
	}
	return func(id string) bool { return !there[id] }
}

// removeDead removes the leases that were taken for dead when it was decided that no
// writer relies on what goes. Whoever lives all the same finds either the final mark or
// that its lease is gone.
func (c *reclaimer) removeDead(ctx context.Context, g *leaving) (some bool, err error) {
	infos, err := c.r.vault.ListMarks(ctx, names.Leases)
	if err != nil {
		return false, err
	}
	for _, info := range infos {
		if id, _, err := names.ParseLease(info.Name); err == nil && c.dead[id] {
			gone, err := c.removeMark(ctx, info.Name)
			if err != nil {
				return some, err
			}
			some, g.leases = some || gone, g.leases || !gone
		}
	}
	return some, nil
}

// forget takes what is gone out of the survey.
func (v *survey) forget(g *leaving) {
	for id := range g.slabs {
		// What this run moves afterwards must not be put onto what is gone.
		delete(v.stock, id)
	}
	v.slabs = v.slabs.Without(func(s vault.SlabObject) bool { return g.slabs[s.ID] != nil })
	v.order = slices.DeleteFunc(v.order, func(s *stocked) bool { return g.slabs[s.id] != nil })
	v.captures = slices.DeleteFunc(v.captures, func(c *ledger.Capture) bool { return slices.Contains(g.captures, c) })
}

// waits tells whether some slab that was announced is there and not wanted.
func (c *reclaimer) waits(b ledger.Batch) bool {
	return slices.ContainsFunc(b.Record.Slabs, func(id format.SlabID) bool {
		s := c.v.stock[id]
		return s != nil && c.v.unused(s, c.v.wanted)
	})
}

// removeMark is removeObject for a mark, whose bytes do not count.
func (c *reclaimer) removeMark(ctx context.Context, name string) (gone bool, err error) {
	return c.removeObject(ctx, storage.Info{Name: name})
}
