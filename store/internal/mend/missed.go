package mend

import (
	"context"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// putMissed puts index files back that are gone and of which second copies are there: those of captures that are missed. What
// went on purpose, or is not what is known of the capture, stays away. It tells whether it put any.
func (p *repairer) putMissed(ctx context.Context) (put bool, err error) {
	spares, err := p.r.vault.Spares(ctx)
	if err != nil {
		return false, err
	}
	left := make(map[string][]int) // by capture, the generations that have a second copy
	for object := range spares {
		if id, generation, err := names.ParseCapture(object); err == nil {
			left[id] = append(left[id], generation)
		}
	}
	files, err := p.r.ledger.ListCaptures(ctx)
	if err != nil {
		return false, err
	}
	for _, id := range ledger.CaptureIDs(files) {
		delete(left, id)
	}
	if len(left) == 0 {
		return false, nil
	}
	captures, _, _, err := p.r.ledger.Read(ctx, ledger.Generations(files))
	if err != nil {
		return false, err
	}
	going, err := p.r.ledger.ReadBatches(ctx)
	if err != nil {
		return false, err
	}
	missed, err := p.missed(ctx, captures, files, going.Departures())
	if err != nil {
		return false, err
	}
	for id, generations := range left {
		if !missed[id] {
			continue
		}
		c, raw, err := p.spared(ctx, id, generations, captures, going.Departures())
		if err != nil {
			return put, err
		}
		if c == nil {
			continue
		}
		back, err := p.putBack(ctx, c, raw, stock.NewExclusion(going))
		if put = put || back; err != nil {
			return put, fmt.Errorf("putting %s back: %w", c.Info.Name, err)
		}
	}
	return put, nil
}

// missed gives the captures that are gone, and not on purpose.
func (p *repairer) missed(ctx context.Context, captures []*ledger.Capture, files []storage.Info, gone ledger.Departures) (map[string]bool, error) {
	stand, err := p.r.ledger.ReadStanding(ctx)
	if err != nil {
		return nil, err
	}
	elsewhere, err := p.r.ledger.ReadElsewhere(ctx)
	if err != nil {
		return nil, err
	}
	vanished, _, err := p.r.ledger.Vanished(ctx, captures, files, gone.With(elsewhere.Captures))
	if err != nil {
		return nil, err
	}
	marked, _, err := p.r.ledger.Marked(ctx, stand, files, gone)
	missed := make(map[string]bool)
	for _, ids := range []map[string]string{vanished, marked} {
		for id := range ids {
			missed[id] = !gone.Names(id)
		}
	}
	return missed, err
}

// spared gives the highest generation of a capture whose second copy opens and is what is known of it; nil: there is none.
func (p *repairer) spared(ctx context.Context, id string, generations []int, captures []*ledger.Capture, gone ledger.Departures) (*ledger.Capture, []byte, error) {
	slices.Sort(generations)
	for _, generation := range slices.Backward(generations) {
		c, raw, err := p.r.ledger.ReadSpare(ctx, id, generation)
		if vault.IsDamage(err) {
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		if p.r.ledger.Exchanged(append(slices.Clone(captures), c), gone)[id] == nil {
			return c, raw, nil
		}
	}
	return nil, nil, nil
}

// putBack puts an index file under its name, with the bytes that it had, unless what it needs is being removed, and tells
// whether it did.
func (p *repairer) putBack(ctx context.Context, c *ledger.Capture, raw []byte, going *stock.Exclusion) (bool, error) {
	uses, err := p.slabsOf(ctx, c)
	if err != nil {
		return false, err
	}
	for id := range uses {
		if going.Slabs[id] {
			p.out.Notes = append(p.out.Notes, "capture "+c.ID+" needs what is being removed: its index file can be put back after reclaiming")
			return false, nil
		}
	}
	if err := p.lease.Check(ctx); err != nil {
		return false, err
	}
	put := p.lease.Follow(uses, nil)
	put.Add(c.Info.Name)
	if err := p.r.vault.PutAnew(ctx, c.Info.Name, raw); err != nil {
		return false, err
	}
	p.out.Renewed = append(p.out.Renewed, c.Info.Name)
	return true, put.Check(ctx)
}

// slabsOf gives the slabs that a capture's recipes name, as far as they can be read.
func (p *repairer) slabsOf(ctx context.Context, c *ledger.Capture) (map[format.SlabID]bool, error) {
	uses := make(map[format.SlabID]bool)
	for _, recipe := range weave.Recipes(c) {
		for level := range recipe.Level + 1 {
			for run, err := range p.r.slabs.Runs(ctx, &format.Recipe{Level: level, Runs: recipe.Runs}) {
				if vault.IsDamage(err) {
					break
				}
				if err != nil {
					return nil, err
				}
				uses[run.Slab] = true
			}
		}
	}
	return uses, nil
}
