package mend

import (
	"context"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
)

// below puts back what a slab stands on: first, so that what comes back can be read. Its own table says what that is, here or
// in the other place; where neither can be read, reading it tells of it.
func (s *restocker) below(ctx context.Context, id format.SlabID) error {
	from := s.p.from.Vault().Slabs()
	if _, here := s.there.Find(id); here {
		from = s.p.r.slabs
	}
	slab, err := from.Open(ctx, id)
	if vault.IsDamage(err) && s.p.from.has(id) {
		slab, err = s.p.from.Vault().Slabs().Open(ctx, id)
	}
	if vault.IsDamage(err) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, base := range format.BaseSlabs(id, slab.Frames) {
		if err := s.slab(ctx, base); err != nil {
			return err
		}
	}
	return nil
}
