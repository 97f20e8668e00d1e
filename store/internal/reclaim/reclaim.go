package reclaim

import (
	"cmp"
	"context"
	"fmt"
	"io/fs"
	"math"
	"sync"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Options say what is freed. They are valid.
type Options struct {
	Grace             time.Duration // none or less: at once
	MinDead           float64       // of a slab, for which its rest is moved; 0: as much as it takes
	AcceptUnexplained bool
	Reserve           int64  // bytes that are kept for when the medium is full, when it is done; 0: as many as are left
	Host              string // for people
	Meter             *vault.Meter
	Waiting           func(time.Duration) // called before it waits; or nil
	CantRemove        func()              // called before that where not even what this run put can be removed; or nil
	ToDeltas          *ToDeltas           // nil: what is stored without deltas stays so
}

// Report says what was done, or would be.
type Report struct {
	Captures  []string // ids of those removed
	Slabs     int      // removed
	Freed     int64
	Moved     int // slabs whose rest was moved to new ones
	Written   int64
	Announced int // slabs that go when the grace time has passed
	Due       int64
	Retired   int       // captures within their grace time
	Next      time.Time // when the first of these can go; zero: there are none
	Notes     []string
	Waiting   []lease.Writer   // writers at work
	Refused   int              // objects that the storage refuses to remove
	Kept      int64            // bytes of those, but for marks
	Retained  storage.Retained // by the storage, of what was removed at any time
	ToDeltas  *Anew            // nil where that was not asked for
}

// Reclaim frees what no capture needs. It wants a repository that is read afresh. On a full medium it gives the reserve
// back, and begins again, as after any other end.
func (r *Keeper) Reclaim(ctx context.Context, o Options) (out *Report, err error) {
	if o.ToDeltas != nil {
		if err := r.takesDeltas(ctx); err != nil {
			return nil, err
		}
	}
	err = r.vault.WithReserve(ctx, math.MaxInt, func() error {
		done, err := r.reclaim(ctx, o)
		out = out.and(done)
		if o.ToDeltas != nil {
			o.ToDeltas = &ToDeltas{Full: true} // what is left is told alone
		}
		return err
	})
	if s, ok := r.storage.(storage.Retainer); ok && err == nil {
		out.Retained, _ = s.Retained(ctx) // what is not known is nothing to be said
	}
	if err == nil && r.vault.KeepReserve(ctx, o.Reserve) != nil {
		out.Notes = append(out.Notes, "there is no room for the reserve, without which nothing can be freed on a full medium: reclaiming writes it once there is")
	}
	return out, err
}

// and gives a report with what an earlier run, that was cut off, had done.
func (earlier *Report) and(r *Report) *Report {
	if earlier == nil || r == nil {
		return cmp.Or(r, earlier)
	}
	r.Captures = append(earlier.Captures, r.Captures...)
	r.ToDeltas = earlier.ToDeltas.and(r.ToDeltas)
	r.Slabs, r.Freed, r.Moved, r.Written = r.Slabs+earlier.Slabs, r.Freed+earlier.Freed, r.Moved+earlier.Moved, r.Written+earlier.Written
	return r
}

// leaseStays is the note of a run that had nothing to remove yet, by which it shows that it could not have.
const leaseStays = "the storage refuses to remove the lease of this run, so that others wait for it for half an hour; what is to go can be removed only by a key or user that may, when reclaiming again"

// reclaim is one run.
func (r *Keeper) reclaim(ctx context.Context, o Options) (out *Report, err error) {
	l, err := r.leases.Take(ctx, format.WorkReclaim, o.Host, "")
	if err != nil {
		return nil, err
	}
	defer func() {
		if l.End(ctx); l.Stays() && out != nil && out.Refused == 0 {
			out.Notes = append(out.Notes, leaseStays)
		}
	}()
	if err := r.leases.Alone(ctx, l); err != nil {
		return nil, err
	}
	c := &reclaimer{r: r, o: o, lease: l, out: &Report{Captures: []string{}}, refused: make(map[string]int64), tried: make(map[string]bool)}
	err = l.Explain(ctx, c.run(ctx))
	c.out.Waiting = c.waiting
	c.out.Refused = len(c.refused)
	for _, size := range c.refused {
		c.out.Kept += size
	}
	if err == nil && c.allRefused() {
		err = c.refuse()
	}
	return c.out, err
}

// refuse says why nothing is done where nothing can be removed.
func (c *reclaimer) refuse() error {
	if c.refusal == nil {
		return fmt.Errorf("the storage refuses to remove even what this run put: what is moved or stored anew would only come on top: %w", fs.ErrPermission)
	}
	return fmt.Errorf("nothing of what is to go can be removed: %w", c.refusal)
}

// allRefused tells whether some of what a run is for could not be removed, and nothing else was. What is stored anew would only come on
// top then; so would what is moved, unless other objects can be removed.
func (c *reclaimer) allRefused() bool {
	for name := range c.refused {
		if folder := vault.FolderOf(name); c.out.Freed == 0 && (folder == names.Captures || folder == names.Slabs) {
			return true
		}
	}
	return false // the rest serves no more than to be tidied
}

// reclaimer is one run of Reclaim.
type reclaimer struct {
	r       *Keeper
	o       Options
	lease   *lease.Lease
	out     *Report
	v       *survey
	waiting []lease.Writer  // who is at work, so that what is to go waits
	dead    map[string]bool // leases that were taken for dead
	tried   map[string]bool // final marks by which this run removed what it could
	doubted bool            // it was found out whether it may remove what it put

	freeing sync.Mutex       // held to count in out.Freed, and for refused and refusal
	refused map[string]int64 // lengths of what the storage refuses to remove, by name
	refusal error            // the first one
}

// run frees whole slabs first, so that moving the rests of others finds room.
func (c *reclaimer) run(ctx context.Context) error {
	if err := c.pass(ctx); err != nil {
		return err
	}
	if c.allRefused() {
		if err := c.mayRemove(ctx); err != nil {
			return err
		}
	}
	if c.o.ToDeltas != nil {
		if err := c.storeAnew(ctx); err != nil {
			return err
		}
	}
	moved, err := c.moveRests(ctx)
	if err != nil {
		return err
	}
	if moved {
		if err := c.pass(ctx); err != nil {
			return err
		}
	}
	merged, err := c.r.stock.MergeTables(ctx, c.lease, c.v.misses, c.removeObject)
	c.out.Written += merged
	if err != nil {
		return err
	}
	c.clean(ctx)
	c.outlook()
	return nil
}

// mayRemove fails where the storage lets this run remove nothing at all.
func (c *reclaimer) mayRemove(ctx context.Context) error {
	removes, err := c.lease.Removes(ctx)
	if err != nil || removes {
		return err
	}
	c.outlook()
	return c.refuse()
}

// pass announces what nothing wants, and removes what is due.
func (c *reclaimer) pass(ctx context.Context) error {
	if err := c.look(ctx); err != nil {
		return err
	}
	if err := c.checkExplained(ctx); err != nil {
		return err
	}
	if err := c.announce(ctx); err != nil {
		return err
	}
	return c.finish(ctx)
}

// look takes stock of the repository.
func (c *reclaimer) look(ctx context.Context) (err error) {
	c.v, err = c.r.survey(ctx, c.lease.Now(), c.o.Grace, c.v)
	return err
}

func (c *reclaimer) checkExplained(ctx context.Context) error {
	if c.o.AcceptUnexplained {
		return nil
	}
	others, err := c.r.leases.Others(ctx, c.lease)
	if err != nil {
		return err
	}
	return c.v.checkExplained(ctx, others)
}

// announce names the slabs that nothing wants.
func (c *reclaimer) announce(ctx context.Context) error {
	if c.o.Grace <= 0 {
		return nil // they are named finally at once
	}
	others, err := c.r.leases.Others(ctx, c.lease)
	if err != nil {
		return err
	}
	known := stock.NewExclusion(c.v.going)
	record := &format.BatchRecord{}
	for _, s := range c.v.unusedSlabs(c.v.wanted, others) {
		if !known.Last[s.id] && !known.Slabs[s.id] {
			record.Slabs = append(record.Slabs, s.id)
		}
	}
	if len(record.Slabs) == 0 {
		return nil
	}
	if _, err := c.r.ledger.PutBatch(ctx, names.Announced, record); err != nil {
		return err
	}
	c.v.going, err = c.r.ledger.ReadBatches(ctx)
	return err
}

// young gives the slabs that may be of writers at work.
func (v *survey) young(others []lease.Writer) map[format.SlabID]bool {
	if len(others) == 0 {
		return nil
	}
	return v.slabs.Since(lease.Earliest(others).Add(-lease.ClockSlack))
}

// unusedSlabs gives the slabs of which nothing is needed, but for those that may
// be of writers at work.
func (v *survey) unusedSlabs(needs bitset, others []lease.Writer) []*stocked {
	young := v.young(others)
	var unused []*stocked
	for _, s := range v.order {
		if !young[s.id] && v.unused(s, needs) {
			unused = append(unused, s)
		}
	}
	return unused
}

// due gives the slabs that were announced a grace time ago.
func (v *survey) due() map[format.SlabID]bool {
	due := make(map[format.SlabID]bool)
	for _, b := range v.going.Announced {
		if b.Record == nil || v.now.Sub(b.At()) < v.grace {
			continue
		}
		for _, id := range b.Record.Slabs {
			due[id] = true
		}
	}
	return due
}

// outlook tells what waits.
func (c *reclaimer) outlook() {
	v, out := c.v, c.out
	out.Notes = append(append(append(out.Notes, v.noteAhead()...), v.noteBlindness()...), v.noteLacking()...)
	next := func(t time.Time) {
		if !t.After(v.now) {
			return // something else keeps it, which has a time of its own
		}
		t = t.Add(lease.ClockSlack) // as v.now is behind by that
		if out.Next.IsZero() || t.Before(out.Next) {
			out.Next = t
		}
	}
	for _, b := range v.going.Announced {
		if b.Record == nil {
			continue
		}
		for _, id := range b.Record.Slabs {
			if s := v.stock[id]; s != nil && v.unused(s, v.wanted) {
				out.Announced++
				out.Due += s.info.Size
				next(b.At().Add(v.grace))
			}
		}
	}
	for _, capture := range v.captures {
		if capture.Retired != nil && !v.expired(capture) {
			out.Retired++
			next(capture.Retired.At.Add(v.grace))
		}
	}
}
