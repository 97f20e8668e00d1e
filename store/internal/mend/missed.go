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
)

// putMissed puts index files back that are gone and of which second copies are there: those of captures that are missed. What
// went on purpose, or is not what is known of the capture, stays away.
func (p *repairer) putMissed(ctx context.Context) error {
	spares, err := p.r.vault.Spares(ctx)
	if err != nil {
		return err
	}
	left := make(map[string][]int) // by capture, the generations that have a second copy
	for object := range spares {
		if id, generation, err := names.ParseCapture(object); err == nil {
			left[id] = append(left[id], generation)
		}
	}
	files, err := p.r.ledger.ListCaptures(ctx)
	if err != nil {
		return err
	}
	for _, id := range ledger.CaptureIDs(files) {
		delete(left, id)
	}
	if len(left) == 0 {
		return nil
	}
	captures, _, _, err := p.r.ledger.Read(ctx, ledger.Generations(files))
	if err != nil {
		return err
	}
	going, err := p.r.ledger.ReadBatches(ctx)
	if err != nil {
		return err
	}
	stand, err := p.r.ledger.ReadStanding(ctx)
	if err != nil {
		return err
	}
	elsewhere, err := p.r.ledger.ReadElsewhere(ctx)
	if err != nil {
		return err
	}
	gone := going.Departures()
	missing, err := p.r.ledger.Vanished(ctx, captures, files, gone.With(elsewhere.Captures))
	if err != nil {
		return err
	}
	marked, late, err := p.r.ledger.Marked(ctx, stand, files, gone)
	if err != nil {
		return err
	}
	exclusion := stock.NewExclusion(going)
	for id, generations := range left {
		if missing[id] == "" && marked[id] == "" || slices.Contains(late, id) || gone.Names(id) {
			continue
		}
		slices.Sort(generations)
		for _, generation := range slices.Backward(generations) {
			c, raw, err := p.r.ledger.ReadSpare(ctx, id, generation)
			if vault.IsDamage(err) {
				continue
			}
			if err != nil {
				return err
			}
			if p.r.ledger.Exchanged(append(slices.Clone(captures), c), gone)[id] != nil {
				continue
			}
			if err := p.putBack(ctx, c, raw, exclusion); err != nil {
				return fmt.Errorf("putting %s back: %w", c.Info.Name, err)
			}
			break
		}
	}
	return nil
}

// putBack puts an index file under its name, with the bytes that it had, unless what it needs is being removed.
func (p *repairer) putBack(ctx context.Context, c *ledger.Capture, raw []byte, going *stock.Exclusion) error {
	uses, err := p.slabsOf(ctx, c)
	if err != nil {
		return err
	}
	for id := range uses {
		if going.Slabs[id] {
			p.out.Notes = append(p.out.Notes, "capture "+c.ID+" needs what is being removed: its index file can be put back after reclaiming")
			return nil
		}
	}
	if err := p.lease.Check(ctx); err != nil {
		return err
	}
	put := p.lease.Follow(uses, nil)
	put.Add(c.Info.Name)
	if err := p.r.vault.PutAnew(ctx, c.Info.Name, raw); err != nil {
		return err
	}
	p.out.Renewed = append(p.out.Renewed, c.Info.Name)
	return put.Check(ctx)
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
