package mend

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// findAdopted finds the captures of which no index file can be read here, and one can be in the other place.
// None comes that was removed here, or that is not what is known of it.
func (p *repairer) findAdopted(files []storage.Info, captures []*ledger.Capture, gone ledger.Departures) {
	readable := make(map[string]bool)
	for _, c := range captures {
		readable[c.ID] = true
	}
	p.adopted = nil
	for _, c := range p.stubborn {
		p.adopted = append(p.adopted, c)
	}
	for _, info := range files {
		id, _, err := names.ParseCapture(info.Name)
		c := p.from.captures[id]
		if err != nil || c == nil || readable[id] || gone.Names(id) {
			continue
		}
		readable[id] = true
		if all := p.r.ledger.Exchanged(append(slices.Clone(captures), c), gone); all[id] == nil {
			p.adopted = append(p.adopted, c)
		}
	}
}

// findStubborn finds captures that chunks from the other place did not heal, and that have other places there: as
// where something was moved in one of the two, and here no table tells which chunks were lost. Each is tried once.
func (p *repairer) findStubborn(context.Context) error {
	p.stubborn = make(map[string]*ledger.Capture)
	if p.from == nil {
		return nil
	}
	for _, lost := range p.out.Lost {
		there := p.from.captures[lost.Capture]
		if there == nil || p.retried[lost.Capture] {
			continue
		}
		i := slices.IndexFunc(p.v.Captures, func(c *ledger.Capture) bool { return c.ID == there.ID })
		if here := p.v.Captures[i]; here.Hash() == there.Hash() && !sameRecipes(here, there) {
			record := *there.IndexFile
			record.Amended = here.Amended
			p.stubborn[there.ID] = &ledger.Capture{IndexFile: &record, File: there.File}
			p.retried[there.ID], p.progress = true, true
		}
	}
	return nil
}

func sameRecipes(a, b *ledger.Capture) bool {
	return slices.EqualFunc(weave.Recipes(a), weave.Recipes(b), func(a, b *format.Recipe) bool { return weave.RecipeKey(a) == weave.RecipeKey(b) })
}

// adopt puts the index files that were found so, in a higher generation: their names are taken by what is damaged.
func (p *repairer) adopt(ctx context.Context) error {
	if len(p.adopted) == 0 {
		return nil
	}
	files, err := p.r.storage.List(ctx, names.Captures)
	if err != nil {
		return err
	}
	taken, counts := ledger.TakenBy(files), p.counting()
	put := p.lease.Follow(p.adoptedUses, nil)
	for _, c := range p.adopted {
		if err := p.lease.Check(ctx); err != nil {
			return err
		}
		least := c.Generation // a machine may have kept a copy of the one of this number
		if here, ok := counts[c.ID]; ok {
			least = max(least, here)
		}
		generation, err := taken.Next(c.ID, least)
		if err != nil {
			return err
		}
		put.Add(names.Capture(c.ID, generation))
		if _, err := p.r.ledger.WriteGeneration(ctx, c.IndexFile, generation); err != nil {
			return err
		}
		p.out.Restored = append(p.out.Restored, c.ID)
		p.progress = true
	}
	return put.Check(ctx)
}
