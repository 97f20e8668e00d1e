package reclaim

import (
	"context"
	"errors"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// removeSuperseded removes index files in whose place others have come: a grace
// time ago, or such as need a slab that goes.
func (c *reclaimer) removeSuperseded(ctx context.Context, g *leaving) error {
	slabs := g.slabs
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
	var refused []storage.Info
	err := vault.InOrder(ctx, c.v.superseded, vault.Askers,
		func(ctx context.Context, info storage.Info) (bool, error) {
			old, err := going(ctx, info)
			if err != nil || !old {
				return true, err
			}
			return c.removeLeased(ctx, info)
		},
		func(info storage.Info, done bool, err error) error {
			if !done {
				refused = append(refused, info)
			}
			return err
		})
	for _, info := range refused {
		if err == nil {
			err = c.keepNeeded(ctx, info, g)
		}
	}
	return err
}

// keepNeeded lets slabs stay that an index file needs which could not be removed: it would count again if the one in its place were lost.
func (c *reclaimer) keepNeeded(ctx context.Context, info storage.Info, g *leaving) error {
	needs := make(map[format.SlabID]bool)
	err := c.eachNeeded(ctx, info, func(id format.SlabID) bool { needs[id] = true; return false })
	if err != nil && !vault.IsDamage(err) && !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	c.v.keep(g, func(s *stocked) bool { return needs[s.id] })
	return nil
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
func (c *reclaimer) needsAny(ctx context.Context, info storage.Info, slabs map[format.SlabID]*stocked) (any bool, err error) {
	err = c.eachNeeded(ctx, info, func(id format.SlabID) bool {
		any = any || slabs[id] != nil
		return any
	})
	switch {
	case errors.Is(err, storage.ErrNotFound):
		return false, nil
	case vault.IsDamage(err):
		return true, nil
	}
	return any, err
}

// eachNeeded gives the slabs that an index file names, at all levels, some several times, until enough says so.
func (c *reclaimer) eachNeeded(ctx context.Context, info storage.Info, enough func(format.SlabID) bool) error {
	record, err := c.r.ledger.ReadIndexFile(ctx, info)
	if err != nil {
		return err
	}
	capture := &ledger.Capture{IndexFile: record, File: ledger.File{Info: info}}
	for _, recipe := range weave.Recipes(capture) {
		for level := range recipe.Level + 1 {
			outer := format.Recipe{Level: level, Runs: recipe.Runs}
			for run, err := range c.r.slabs.Runs(ctx, &outer) {
				if err != nil || enough(run.Slab) {
					return err
				}
			}
		}
	}
	return nil
}
