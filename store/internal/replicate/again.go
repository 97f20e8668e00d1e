package replicate

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// gap is a slab that captures which are in both places need there, that is gone there, and is here.
type gap struct {
	slab     int32
	captures []string
}

// findGaps finds slabs that are gone there, of captures that are there as here. What index files name is looked at, and what that
// stands on, and that costs nothing; the lists of longer recipes only where a table tells of a slab that is gone there and is here.
func (p *replication) findGaps(ctx context.Context) error {
	deep := slices.ContainsFunc(p.holdings.Gone, func(id format.SlabID) bool {
		_, here := p.needs.list.Find(id)
		return here
	})
	gone, err := Lacking(ctx, p.r.to, p.r.from, p.holdings.Slabs, p.holdings.Bases, p.same, deep)
	if err != nil {
		return err
	}
	for id, captures := range gone {
		switch _, err := p.r.to.Vault().Storage().Stat(ctx, names.Slab(id)); {
		case err == nil:
			continue // put since it was listed, by who moved what these captures need
		case !errors.Is(err, storage.ErrNotFound):
			return err
		}
		n, err := p.needs.number(id)
		if err != nil {
			p.damage(names.Slab(id), true, fmt.Errorf("%w: it is not there, and not here under this name: repair that place first", format.ErrDamaged), captures...)
			continue
		}
		p.gaps = append(p.gaps, gap{n, captures})
	}
	slices.SortFunc(p.gaps, func(a, b gap) int { return int(a.slab) - int(b.slab) })
	return nil
}

// fillGaps sends slabs again, under their names, and lists them.
func (p *replication) fillGaps(ctx context.Context) error {
	for some := range slices.Chunk(p.gaps, batchSlabs) {
		var slabs []int32
		for _, g := range some {
			if p.stateOf(g.slab).is == missing {
				slabs = append(slabs, g.slab)
			}
		}
		if err := p.copySlabs(ctx, slabs); err != nil {
			return err
		}
		if err := p.writeTables(ctx); err != nil {
			return err
		}
		for _, g := range some {
			switch s := p.stateOf(g.slab); s.is {
			case present:
				p.out.PutBack = append(p.out.PutBack, names.Slab(p.needs.ids[g.slab]))
			case damaged, odd:
				p.damage(s.object, s.is == odd, s.err, g.captures...)
			default:
				p.out.Later = append(p.out.Later, g.captures...)
			}
		}
	}
	return nil
}
