package replicate

import (
	"context"
	"fmt"

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

// check holds what a slab says that it stands on against what was gone by. That a table tells of less is damage.
func (b *bases) check(id format.SlabID, frames []format.Frame) error {
	said, listed := b.of[id]
	if !listed {
		return nil // no capture needs what it stands on, as far as they tell, or the slab itself was asked
	}
	known := make(map[format.SlabID]bool, len(said))
	for _, base := range said {
		known[base] = true
	}
	for _, base := range format.BaseSlabs(id, frames) {
		if !known[base] {
			return &fetch.SlabError{Slab: id, Frame: -1, Err: fmt.Errorf("%w: a table says of it what it does not hold: it stands on slab %s as well; repair this place first", format.ErrDamaged, base)}
		}
	}
	return nil
}
