package replicate

import (
	"context"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
)

// bases knows on which slabs others stand: by tables, and where none lists a slab, by the slab's own, as a table may be
// damaged or gone.
type bases struct {
	at    *stock.Stock                      // whose tables are read
	slabs []*fetch.Slabs                    // where a slab is opened that they do not list, in turn
	of    map[format.SlabID][]format.SlabID // nil: nobody read the tables yet
}

// below gives the slabs that one stands on. That nobody can tell is damage, with an error that names the slab.
func (b *bases) below(ctx context.Context, id format.SlabID) ([]format.SlabID, error) {
	var err error
	if b.of == nil {
		if b.of, err = b.at.Bases(ctx); err != nil {
			return nil, err
		}
	}
	if ids, listed := b.of[id]; listed {
		return ids, nil
	}
	for _, slabs := range b.slabs {
		var slab *fetch.Slab
		if slab, err = slabs.Open(ctx, id); err == nil {
			b.of[id] = format.BaseSlabs(id, slab.Frames)
			return b.of[id], nil
		}
		if !vault.IsDamage(err) {
			return nil, err
		}
	}
	return nil, err
}
