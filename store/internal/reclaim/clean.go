package reclaim

import (
	"context"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// asideAge is after how long a file that was written aside is taken for left
// behind.
const asideAge = 24 * time.Hour

// clean removes what tells nothing any more: leases of writers that were killed,
// marks of captures that are gone, marks that can't be read, files written aside.
// What it can't remove now is left for the next time.
func (c *reclaimer) clean(ctx context.Context) {
	c.cleanLeases(ctx)
	c.cleanMarks(ctx)
	c.tidyBundles(ctx)
	c.r.vault.CleanSpares(ctx)
	c.removeEach(ctx, c.oldVerifications(ctx))
	if s, ok := c.r.storage.(storage.Sweeper); ok {
		removed, _ := s.RemoveAside(ctx, asideAge)
		for _, info := range removed {
			c.out.Freed += info.Size
		}
	}
}

func (c *reclaimer) cleanLeases(ctx context.Context) {
	writers, err := c.r.leases.Writers(ctx, c.lease.Now())
	if err != nil {
		return
	}
	for _, w := range writers {
		if w.Alive || w.Lease == c.lease.ID {
			continue
		}
		for _, info := range w.Marks {
			c.removeMark(ctx, info.Name)
		}
	}
}

func (c *reclaimer) cleanMarks(ctx context.Context) {
	there := make(map[string]bool)
	for _, info := range c.v.files {
		if id, _, err := names.ParseCapture(info.Name); err == nil {
			there[id] = true
		}
	}
	gone := c.v.going.Departures()
	var old []string
	for id, marks := range c.v.stand.All {
		for _, name := range marks {
			if gone.Names(id) && !there[id] || c.v.stand.Ended[name] {
				old = append(old, name)
			}
		}
	}
	old = append(old, c.v.stand.Over(func(id string) bool { return gone.Names(id) && !there[id] })...)
	for id, marks := range c.v.rehearsed.Names {
		if gone.Names(id) && !there[id] {
			old = append(old, marks...)
		}
	}
	for _, b := range c.v.going.Announced {
		if b.Record == nil || !c.waits(b) {
			old = append(old, b.Info.Name)
		}
	}
	for _, b := range c.v.going.Harm {
		if b.Record == nil || !slices.ContainsFunc(b.Record.Harmed, func(h format.HarmedSlab) bool { return c.v.stock[h.Slab] != nil || c.v.lacks(h.Slab) }) {
			old = append(old, b.Info.Name)
		}
	}
	c.removeEach(ctx, old)
}
