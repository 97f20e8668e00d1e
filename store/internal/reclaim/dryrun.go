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
	if o.ToDeltas != nil {
		lots, err := c.v.withoutDeltas(ctx, c.waiting, make(map[format.SlabID]bool))
		if err != nil {
			return nil, err
		}
		c.out.ToDeltas = &Anew{}
		c.out.ToDeltas.Left, c.out.ToDeltas.LeftBytes = total(lots)
		c.out.ToDeltas.noteRoom(c.v.batchOf(lots, o.ToDeltas, o.ToDeltas.Room), lots)
	}
	c.plan()
	c.outlook()
	c.out.Waiting = c.waiting
	return c.out, nil
}

// plan adds up what would go. What is announced only now, or freed by moving rests,
// goes at once only where there is no grace time.
func (c *reclaimer) plan() {
	v, out := c.v, c.out
	victims := v.victims(c.o.MinDead, c.waiting)
	out.Written += v.written(victims)
	for _, s := range victims {
		out.Moved++
		if v.grace <= 0 {
			out.Slabs++
			out.Freed += s.info.Size
		} else {
			out.Announced++
			out.Due += s.info.Size
		}
	}
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
