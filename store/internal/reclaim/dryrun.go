package reclaim

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/stock"
)

// Plan tells what Reclaim would do.
func (r *Keeper) Plan(ctx context.Context, o Options) (*Report, error) {
	if o.ToDeltas != nil {
		if err := r.takesDeltas(ctx); err != nil {
			return nil, err
		}
	}
	now, guessed, err := r.leases.Now(ctx)
	if err != nil {
		return nil, err
	}
	c := &reclaimer{r: r, o: o, out: &Report{Captures: []string{}}}
	if guessed {
		c.out.Notes = append(c.out.Notes, "the repository can't be asked for its time, as where it is mounted read-only: this plan goes by the clock of this machine")
	}
	if c.v, err = r.survey(ctx, now.Add(-lease.ClockSlack), o.Grace, nil); err != nil { // as a run goes by Lease.Now
		return nil, err
	}
	others, err := r.leases.Writers(ctx, now)
	if err != nil {
		return nil, err
	}
	c.waiting = slices.DeleteFunc(others, func(w lease.Writer) bool { return !w.Alive })
	if !o.AcceptUnexplained {
		if err := c.v.checkExplained(ctx, c.waiting); err != nil {
			return nil, err
		}
	}
	c.planRemoval()
	if o.ToDeltas != nil {
		if err := c.planAnew(ctx); err != nil {
			return nil, err
		}
	}
	c.planMoving()
	c.outlook()
	c.out.Waiting = c.waiting
	return c.out, nil
}

// planAnew tells how much would be stored anew, once what goes before is gone.
func (c *reclaimer) planAnew(ctx context.Context) error {
	lots, err := c.v.withoutDeltas(ctx, c.waiting, make(map[format.SlabID]bool))
	if err != nil {
		return err
	}
	o, out := c.o.ToDeltas.with(c.out.Freed), &Anew{}
	out.Left, out.LeftBytes = total(lots)
	out.noteRoom(c.v.batchOf(lots, o, o.Room), lots)
	c.out.ToDeltas = out
	return nil
}

// planMoving adds up what would be moved. That comes free at once only where there is no grace time.
func (c *reclaimer) planMoving() {
	out, victims := c.out, c.v.victims(c.o.MinDead, c.waiting)
	out.Written += c.v.written(victims)
	for _, s := range victims {
		out.Moved++
		if c.v.grace <= 0 {
			out.Slabs++
			out.Freed += s.info.Size
		} else {
			out.Announced++
			out.Due += s.info.Size
		}
	}
}

// planRemoval adds up what would go. What is announced only now goes at once only where there is no grace time.
func (c *reclaimer) planRemoval() {
	v, out := c.v, c.out
	due, known, young := v.due(), stock.NewExclusion(v.going), v.young(c.waiting)
	g := &leaving{slabs: make(map[format.SlabID]*stocked)}
	goes := len(c.waiting) == 0 // nothing does before writers are done
	for _, s := range v.order {
		switch {
		case young[s.id]: // it may be of a writer at work
		case goes && (v.grace <= 0 || due[s.id] || known.Slabs[s.id]) && v.unused(s, v.needed):
			g.slabs[s.id] = s
		case v.grace > 0 && !known.Last[s.id] && v.unused(s, v.wanted):
			out.Announced++
			out.Due += s.info.Size
		}
	}
	v.together(g.slabs, nil)
	for _, s := range g.slabs {
		out.Slabs++
		out.Freed += s.info.Size
	}
	for _, capture := range v.captures {
		if goes && v.expired(capture) {
			out.Captures = append(out.Captures, capture.ID)
			out.Freed += capture.Info.Size
			g.captures = append(g.captures, capture)
		}
	}
	v.forget(g)
}
