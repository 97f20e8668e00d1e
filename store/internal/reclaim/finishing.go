package reclaim

import (
	"context"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
)

// finish names finally what goes, and removes what was named so, as soon as no
// writer can rely on it any more.
func (c *reclaimer) finish(ctx context.Context) error {
	if err := c.nameFinally(ctx); err != nil {
		return err
	}
	if !slices.ContainsFunc(c.v.going.Final, func(f ledger.Batch) bool { return !c.tried[f.Info.Name] }) {
		// No slab goes, or none that this run did not find stuck, so no mark is needed: old generations that nobody reads any more may go.
		return c.removeSuperseded(ctx, &leaving{})
	}
	if err := c.doubt(ctx); err != nil {
		return err
	}
	ready, err := c.awaitWriters(ctx)
	if err != nil || !ready {
		return err
	}
	return c.remove(ctx)
}

// nameFinally puts the mark from which on no new writer relies on what is due.
func (c *reclaimer) nameFinally(ctx context.Context) error {
	record := c.dueNow()
	if len(record.Slabs) == 0 && len(record.Captures) == 0 {
		return nil
	}
	others, err := c.r.leases.Others(ctx, c.lease)
	if err != nil {
		return err
	}
	if len(others) > 0 {
		c.waiting = others // later: it would only make them store again what is there
		return nil
	}
	if err := c.lease.Check(ctx); err != nil {
		return err
	}
	// From here on the mark stands for all runs: whoever is stopped leaves it to the next one.
	if _, err := c.r.ledger.PutBatch(ctx, names.Final, record); err != nil {
		return err
	}
	c.v.going, err = c.r.ledger.ReadBatches(ctx)
	return err
}

// dueNow gives what may go and is not named finally yet.
func (c *reclaimer) dueNow() *format.BatchRecord {
	v, record := c.v, &format.BatchRecord{}
	due, final := v.due(), stock.NewExclusion(v.going)
	going := make(map[format.SlabID]*stocked)
	for _, s := range v.order {
		if (v.grace <= 0 || due[s.id]) && !final.Slabs[s.id] && v.unused(s, v.needed) {
			going[s.id] = s
		}
	}
	v.together(going, final.Slabs)
	for _, s := range v.order {
		if going[s.id] != nil {
			record.Slabs = append(record.Slabs, s.id)
		}
	}
	for _, capture := range v.captures {
		if v.expired(capture) && !v.going.Removes(capture.ID) {
			record.Captures = append(record.Captures, capture.ID)
		}
	}
	return record
}

// doubt finds out, before the first wait, whether this run may remove what it put, and says where not. What is to go is older, and may
// be removed all the same, where a storage locks what is put for a time: so the run goes on.
func (c *reclaimer) doubt(ctx context.Context) error {
	if c.doubted || c.o.CantRemove == nil || c.patience(lease.SettleTime) <= 0 {
		return nil
	}
	c.doubted = true
	removes, err := c.lease.Removes(ctx)
	if err == nil && !removes {
		c.o.CantRemove()
	}
	return err
}

// awaitWriters waits until other machines see what was named finally, and tells
// whether all writers are done that may not have seen it in time.
func (c *reclaimer) awaitWriters(ctx context.Context) (bool, error) {
	var last time.Time
	for _, f := range c.v.going.Final {
		if f.Info.Modified.After(last) {
			last = f.Info.Modified
		}
	}
	settle := c.patience(lease.SettleTime)
	if settle > 0 {
		// No longer than it takes, however far ahead a clock that jumped has set the mark.
		if err := c.wait(ctx, min(last.Add(settle).Sub(c.lease.Now()), settle+lease.ClockSlack)); err != nil {
			return false, err
		}
	}
	others, err := c.r.leases.Writers(ctx, c.lease.Now())
	if err != nil {
		return false, err
	}
	others = slices.DeleteFunc(others, func(w lease.Writer) bool { return w.Lease == c.lease.ID })
	// Who is dead is decided once, here: removeDead goes by it, so that whoever comes back
	// later finds its lease gone (point 5 of the argument in FORMAT.md, section 10).
	c.dead = make(map[string]bool)
	for _, w := range others {
		c.dead[w.Lease] = !w.Alive
	}
	// Who began once the mark could be seen relies on nothing that it names (point 1).
	others = slices.DeleteFunc(others, func(w lease.Writer) bool { return !w.Alive || w.Start().After(last.Add(settle+lease.ClockSlack)) })
	c.waiting = others
	if len(others) > 0 {
		return false, nil
	}
	// Somebody whose lease is gone may have committed so lately that the index file
	// can't be seen yet.
	return true, c.wait(ctx, c.patience(lease.ListingLag))
}

// patience gives a time to wait until other machines see what was done, or none
// where somebody said that there are none.
func (c *reclaimer) patience(d time.Duration) time.Duration {
	if c.o.Grace <= 0 {
		return 0
	}
	return d
}

func (c *reclaimer) wait(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return nil
	}
	if c.o.Waiting != nil {
		c.o.Waiting(d)
	}
	return lease.Pause(ctx, d)
}
