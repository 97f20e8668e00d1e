package reclaim

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// leaving is what really goes: what was named finally and is still not needed.
type leaving struct {
	captures []*ledger.Capture
	slabs    map[format.SlabID]*stocked
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
	if err := c.removeSuperseded(ctx, g.slabs); err != nil {
		return err
	}
	if err := c.removeSlabs(ctx, g); err != nil {
		return err
	}
	dead, err := c.removeDead(ctx)
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
	g := &leaving{slabs: make(map[format.SlabID]*stocked)}
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
	var learned []remember.Capture
	for _, capture := range g.captures {
		ids[capture.ID] = true
		learned = append(learned, capture.Remembered(remember.Gone))
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
		func(ctx context.Context, files []ledger.File) (any, error) {
			for _, f := range slices.Backward(files) {
				if err := c.removeLeased(ctx, f.Info); err != nil {
					return nil, err
				}
			}
			return nil, nil
		},
		func(files []ledger.File, _ any, err error) error {
			if err == nil {
				c.out.Captures = append(c.out.Captures, idOf(files))
			}
			return err
		})
	if err != nil {
		return err
	}
	c.r.ledger.Learn(learned...)
	return nil
}

func idOf(files []ledger.File) string {
	id, _, _ := names.ParseCapture(files[0].Info.Name)
	return id
}

// removeSlabs removes the slabs that go.
func (c *reclaimer) removeSlabs(ctx context.Context, g *leaving) error {
	going := slices.DeleteFunc(slices.Clone(c.v.order), func(s *stocked) bool { return g.slabs[s.id] == nil })
	return vault.InOrder(ctx, going, vault.Askers,
		func(ctx context.Context, s *stocked) (any, error) { return nil, c.removeLeased(ctx, s.info) },
		func(_ *stocked, _ any, err error) error {
			if err == nil {
				c.out.Slabs++
			}
			return err
		})
}

// removeEach removes marks, several at a time.
func (c *reclaimer) removeEach(ctx context.Context, marks []string) error {
	return vault.InOrder(ctx, marks, vault.Askers,
		func(ctx context.Context, name string) (any, error) { return nil, c.removeMark(ctx, name) },
		func(_ string, _ any, err error) error { return err })
}

// removeSuperseded removes index files in whose place others have come: a grace
// time ago, or such as need a slab that goes.
func (c *reclaimer) removeSuperseded(ctx context.Context, slabs map[format.SlabID]*stocked) error {
	since := make(map[string]time.Time)
	for _, capture := range c.v.captures {
		since[capture.ID] = capture.Info.Modified
	}
	going := func(ctx context.Context, info storage.Info) (bool, error) {
		id, _, _ := names.ParseCapture(info.Name)
		// Whoever found the capture before it was moved may still be reading by it.
		old := c.o.Grace <= 0 || c.v.now.Sub(since[id]) >= c.o.Grace
		if !old && len(slabs) > 0 {
			return c.needsAny(ctx, info, slabs)
		}
		return old, nil
	}
	if err := c.departTwins(ctx); err != nil {
		return err
	}
	return vault.InOrder(ctx, c.v.superseded, vault.Askers,
		func(ctx context.Context, info storage.Info) (any, error) {
			old, err := going(ctx, info)
			if err == nil && old {
				err = c.removeLeased(ctx, info)
			}
			return nil, err
		},
		func(_ storage.Info, _ any, err error) error { return err })
}

// departTwins says that captures changed on purpose, before the generations go that show that nothing was exchanged.
func (c *reclaimer) departTwins(ctx context.Context) error {
	said, mark := c.v.going.Departures(), &format.BatchRecord{}
	for _, capture := range c.v.captures {
		for _, hash := range capture.Twins {
			if !said.Covers(capture.ID, hash) {
				ledger.Depart(mark, capture.ID, hash)
			}
		}
	}
	if len(mark.Captures) == 0 {
		return nil
	}
	_, err := c.r.ledger.PutBatch(ctx, names.Gone, mark)
	return err
}

// needsAny tells whether an index file needs one of the slabs. One that can't be
// read is of no use.
func (c *reclaimer) needsAny(ctx context.Context, info storage.Info, slabs map[format.SlabID]*stocked) (bool, error) {
	record, err := c.r.ledger.ReadIndexFile(ctx, info)
	if errors.Is(err, storage.ErrNotFound) {
		return false, nil
	}
	if vault.IsDamage(err) {
		return true, nil
	}
	if err != nil {
		return false, err
	}
	capture := &ledger.Capture{IndexFile: record, File: ledger.File{Info: info}}
	for _, recipe := range weave.Recipes(capture) {
		for level := range recipe.Level + 1 {
			outer := format.Recipe{Level: level, Runs: recipe.Runs}
			for run, err := range c.r.slabs.Runs(ctx, &outer) {
				if vault.IsDamage(err) || err == nil && slabs[run.Slab] != nil {
					return true, nil
				}
				if err != nil {
					return false, err
				}
			}
		}
	}
	return false, nil
}

// removeLeased removes an object, as long as nobody can have taken the lease for dead.
func (c *reclaimer) removeLeased(ctx context.Context, info storage.Info) error {
	if err := c.lease.Check(ctx); err != nil {
		return err
	}
	return c.removeObject(ctx, info)
}

// removeObject removes an object and counts its bytes.
func (c *reclaimer) removeObject(ctx context.Context, info storage.Info) error {
	err := c.r.storage.Remove(ctx, info.Name)
	if errors.Is(err, storage.ErrNotFound) {
		return nil // by a run that was stopped
	}
	if err == nil {
		c.freeing.Lock()
		defer c.freeing.Unlock()
		c.out.Freed += info.Size
	}
	return err
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
		if err := c.removeMark(ctx, b.Info.Name); err != nil {
			return err
		}
	}
	// Last: who does not find them any more must not find what they name, either (point 1).
	for _, f := range c.v.going.Final {
		if err := c.removeMark(ctx, f.Info.Name); err != nil {
			return err
		}
	}
	var err error
	c.v.going, err = c.r.ledger.ReadBatches(ctx)
	return err
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
func (c *reclaimer) removeDead(ctx context.Context) (some bool, err error) {
	infos, err := c.r.vault.ListMarks(ctx, names.Leases)
	if err != nil {
		return false, err
	}
	for _, info := range infos {
		if id, _, err := names.ParseLease(info.Name); err == nil && c.dead[id] {
			some = true
			if err := c.removeMark(ctx, info.Name); err != nil {
				return some, err
			}
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

func (c *reclaimer) removeMark(ctx context.Context, name string) error {
	err := c.r.storage.Remove(ctx, name)
	if errors.Is(err, storage.ErrNotFound) {
		return nil
	}
	return err
}
