package store

import (
	"context"
	"fmt"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
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
	// NoGrace none. Writers that are at work are waited for whatever it is.
	Grace time.Duration
	// MinDead is the share of a slab, from 0 to 1, that nothing needs for which the
	// rest is moved to a new slab. 0 means: of as many slabs, the deadest first, as it
	// takes until at most 3 % of what is stored is dead.
	MinDead float64
	// AcceptUnexplained frees slabs that no capture needs also where that is most of what
	// is stored and no retirement explains it: see ErrUnexplained.
	AcceptUnexplained bool
	// DryRun finds out what would be done, and writes and removes nothing.
	DryRun bool
	// Host is where it is done, for people.
	Host string
	// Progress, if set, is called now and then, by one goroutine at a time: with bytes
	// moved to new slabs.
	Progress func(Progress)
	// Waiting, if set, is called before it waits until other machines can see what
	// it announced.
	Waiting func(time.Duration)
}

// Reclaimed says what Reclaim did, or would do.
type Reclaimed struct {
	Captures  []string `json:"captures"` // ids of those removed
	Slabs     int      `json:"slabs"`    // removed
	Freed     int64    `json:"freed_bytes"`
	Moved     int      `json:"moved_slabs"` // whose rest was moved to new ones
	Written   int64    `json:"written_bytes"`
	Announced int      `json:"announced_slabs"` // go when the grace time has passed, if nothing wants them until then
	Due       int64    `json:"announced_bytes"`
	Retired   int      `json:"retired"` // captures within their grace time
	// Next is when the first of the announced slabs and retired captures can go, by
	// the medium's clock; zero if there are none.
	Next time.Time `json:"next,omitzero"`
	// Notes say what is worth knowing, as marks of a machine whose clock is far ahead.
	Notes []string `json:"notes,omitempty"`
	// Waiting are writers at work: what is to go goes when they are done.
	Waiting []Writer `json:"waiting,omitempty"`
}

// Reclaim frees what no capture needs: captures that were retired a grace time
// ago, slabs that nothing needs, and of slabs that are partly needed it moves the
// rest. A slab is removed only when it was announced a grace time ago. So the space of
// a retired capture comes back a grace time later, and that of slabs
// whose rest had to be moved another one; with NoGrace all at once.
//
// It may be stopped at any moment and called again, beside any number of
// captures, restores and verifications, but only one at a time: ErrBusy. It
// fails with ErrDamaged or ErrVanished, removing nothing, where it can't know
// what is needed, and with ErrUnexplained where that looks wrong.
func (r *Repository) Reclaim(ctx context.Context, o ReclaimOptions) (out *Reclaimed, err error) {
	defer vault.NoteEnd(ctx, &err)
	defer giveBusy(&err)
	if err := r.open(); err != nil {
		return nil, err
	}
	if o.MinDead < 0 || o.MinDead > 1 {
		return nil, fmt.Errorf("%w: %v as the dead part of a slab: it is a share from 0 to 1", ErrBadOptions, o.MinDead)
	}
	if o.Grace == 0 {
		o.Grace = r.vault.Grace()
	}
	r, err = r.afresh()
	if err != nil {
		return nil, err
	}
	defer r.slabs.Close()
	if o.DryRun {
		return r.planReclaim(ctx, o)
	}
	l, err := r.leases.Take(ctx, format.WorkReclaim, o.Host, "")
	if err != nil {
		return nil, err
	}
	defer l.End(ctx)
	if err := r.leases.Alone(ctx, l); err != nil {
		return nil, err
	}
	c := &reclaimer{r: r, o: o, lease: l, out: &Reclaimed{Captures: []string{}}}
	err = c.run(ctx)
	c.out.Waiting = givenWriters(c.waiting)
	return c.out, err
}

// reclaimer is one run of Reclaim.
type reclaimer struct {
	r       *Repository
	o       ReclaimOptions
	lease   *lease.Lease
	out     *Reclaimed
	v       *survey
	waiting []lease.Writer  // who is at work, so that what is to go waits
	dead    map[string]bool // leases that were taken for dead
}

// run frees whole slabs first, so that moving the rests of others finds room.
func (c *reclaimer) run(ctx context.Context) error {
	if err := c.pass(ctx); err != nil {
		return err
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
	merged, err := c.r.stock.MergeTables(ctx, c.lease, c.removeObject)
	c.out.Written += merged
	if err != nil {
		return err
	}
	c.clean(ctx)
	c.outlook()
	return nil
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
	c.v, err = c.r.survey(ctx, c.lease.Now(), c.o.Grace)
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
	out.Notes = append(out.Notes, v.noteAhead()...)
	next := func(t time.Time) {
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
