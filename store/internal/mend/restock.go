package mend

import (
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// restocker puts slabs back that are gone here, under their own names: whole ones, with the same bytes.
type restocker struct {
	p      *repairer
	there  vault.SlabList // here
	going  *stock.Exclusion
	tried  map[format.SlabID]bool
	walked map[string]bool // recipes

	lacking map[format.SlabID]bool // gone here, and not put back

	stood map[format.SlabID]bool // slabs whose bases were seen to

	uses map[format.SlabID]bool // nil, or what is named, or stood on, is noted
	goes bool                   // something of that is being removed

	deltas bool // the capture at hand needs what slabs stand on
}

// restock puts back what captures need and what is gone here, and finds index files that can't be read here
// and can be in the other place.
func (p *repairer) restock(ctx context.Context) error {
	files, err := p.r.ledger.ListCaptures(ctx)
	if err != nil {
		return err
	}
	generations := ledger.Generations(files)
	captures, _, _, err := p.r.ledger.Read(ctx, generations)
	if err != nil {
		return err
	}
	going, err := p.r.ledger.ReadBatches(ctx)
	if err != nil {
		return err
	}
	s := &restocker{p: p, going: stock.NewExclusion(going), tried: make(map[format.SlabID]bool), walked: make(map[string]bool), lacking: make(map[format.SlabID]bool), stood: make(map[format.SlabID]bool)}
	if s.there, err = p.r.vault.ListSlabs(ctx); err != nil {
		return err
	}
	p.findAdopted(files, captures, going.Departures())
	for _, c := range captures {
		s.deltas = c.Deltas
		if err := s.capture(ctx, c); err != nil {
			return err
		}
	}
	s.uses = make(map[format.SlabID]bool)
	p.adopted, err = s.adoptable(ctx, p.adopted)
	p.adoptedUses = s.uses
	return err
}

// adoptable puts back what captures need whose index files are put, and leaves out those that need what is just
// being removed here.
func (s *restocker) adoptable(ctx context.Context, captures []*ledger.Capture) (all []*ledger.Capture, err error) {
	for _, c := range captures {
		s.goes, s.deltas = false, c.Deltas
		clear(s.walked) // each is to find what it needs, be it found before
		clear(s.stood)
		if err := s.capture(ctx, c); err != nil {
			return nil, err
		}
		if s.goes {
			s.p.out.Notes = append(s.p.out.Notes, "capture "+c.ID+" needs what is being removed here: its index file can be put back after reclaiming")
			continue
		}
		if s.p.stubborn[c.ID] != nil { // it is no gain but as a whole
			whole, err := s.isWhole(ctx, c)
			if err != nil {
				return nil, err
			}
			if !whole {
				continue
			}
		}
		all = append(all, c)
	}
	return all, nil
}

// isWhole tells whether all that a capture of the other place needs is here, by what was found before, or is known so
// that it can be healed.
func (s *restocker) isWhole(ctx context.Context, c *ledger.Capture) (bool, error) {
	for _, recipe := range weave.Recipes(c) {
		for level := range recipe.Level + 1 {
			for run, err := range s.p.from.Vault().Slabs().Runs(ctx, &format.Recipe{Level: level, Runs: recipe.Runs}) {
				if vault.IsDamage(err) || err == nil && !s.curable(run) {
					return false, nil
				}
				if err != nil {
					return false, err
				}
			}
		}
	}
	return true, nil
}

// curable tells whether chunks are here, or are known.
func (s *restocker) curable(run format.Run) bool {
	b := s.p.bad[run.Slab]
	for n := range run.Count {
		if b.lost(run.First+n) && len(b.meant(run.First+n)) == 0 {
			return false
		}
	}
	return !s.lacking[run.Slab]
}

func (s *restocker) capture(ctx context.Context, c *ledger.Capture) error {
	for _, recipe := range weave.Recipes(c) {
		if err := s.recipe(ctx, recipe); err != nil {
			return fmt.Errorf("capture %s: %w", c.ID, err)
		}
	}
	return nil
}

// recipe puts back the slabs that a recipe names, at all levels.
func (s *restocker) recipe(ctx context.Context, recipe *format.Recipe) error {
	key := weave.RecipeKey(recipe)
	if s.deltas {
		key += "+"
	}
	if s.walked[key] {
		return nil
	}
	s.walked[key] = true
	for level := range recipe.Level + 1 {
		outer := &format.Recipe{Level: level, Runs: recipe.Runs}
		err := s.level(ctx, s.p.r.slabs.Runs(ctx, outer))
		if vault.IsDamage(err) { // a list of runs is harmed here: that of the other place names the same
			err = s.level(ctx, s.p.from.Vault().Slabs().Runs(ctx, outer))
		}
		if vault.IsDamage(err) {
			return nil
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (s *restocker) level(ctx context.Context, runs fetch.Runs) error {
	for run, err := range runs {
		if err != nil {
			return err
		}
		if err := s.slab(ctx, run.Slab); err != nil {
			return err
		}
	}
	return nil
}

// slab puts a slab back if it is gone here. Every piece is opened as it passes: what does not open is not put.
func (s *restocker) slab(ctx context.Context, id format.SlabID) error {
	if s.uses != nil {
		s.uses[id], s.goes = true, s.goes || s.going.Slabs[id]
	}
	if s.deltas && !s.stood[id] {
		s.stood[id] = true
		if err := s.below(ctx, id); err != nil {
			return err
		}
	}
	if _, ok := s.there.Find(id); ok || s.tried[id] {
		return nil
	}
	s.tried[id], s.lacking[id] = true, true
	if s.going.Slabs[id] || !s.p.from.has(id) {
		return nil
	}
	if err := s.p.lease.Check(ctx); err != nil {
		return err
	}
	whole, err := s.p.from.Vault().Slabs().Copy(ctx, id)
	if err == nil {
		err = s.p.r.storage.Put(ctx, names.Slab(id), whole)
		if whole.Failed() != nil {
			err = whole.Failed()
		}
	}
	var there *fetch.SlabError
	switch {
	case err == nil:
		s.p.out.PutBack = append(s.p.out.PutBack, names.Slab(id))
		s.p.progress = true
		fallthrough
	case errors.Is(err, storage.ErrExists):
		delete(s.lacking, id)
		delete(s.p.bad, id)
		return nil
	case errors.As(err, &there) && vault.IsDamage(err):
		s.p.damagedSlab(id, err)
		return nil
	}
	return fmt.Errorf("putting slab %s back: %w", names.Slab(id), err)
}
