package stock

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Holdings are the slabs of a repository, for who puts others as they are.
type Holdings struct {
	Slabs     vault.SlabList // that there are
	Exclusion *Exclusion
	Going     *ledger.Batches        // the final marks, and those of what is harmed
	Unlisted  map[format.SlabID]bool // slabs that no table lists, and no writer at work elsewhere will
	Gone      []format.SlabID        // that tables list, or slabs stand on that these list, and that are not there

	Bases map[format.SlabID][]format.SlabID // of each slab that there is and tables list, what it stands on; nil without a lease
}

// Hold finds out which slabs there are, as a writer does whose lease is given. It keeps no chunks.
func (r *Stock) Hold(ctx context.Context, l *lease.Lease) (*Holdings, error) {
	going, err := r.ledger.ReadStages(ctx, names.Announced, names.Final, names.Harmed)
	if err != nil {
		return nil, err
	}
	h := &Holdings{Exclusion: NewExclusion(going), Going: going, Unlisted: make(map[format.SlabID]bool)}
	if h.Slabs, err = r.vault.ListSlabs(ctx); err != nil {
		return nil, err
	}
	if l == nil {
		return h, nil
	}
	h.Bases = make(map[format.SlabID][]format.SlabID)
	v, err := r.Take(ctx, h.Slabs, true, func(rec *format.SlabRecord) error {
		h.Bases[rec.Slab] = rec.BaseSlabs()
		return nil
	})
	if err != nil {
		return nil, err
	}
	h.Gone = v.gone()
	for _, below := range h.Bases {
		h.Gone = append(h.Gone, slices.DeleteFunc(slices.Clone(below), func(id format.SlabID) bool { _, there := h.Slabs.Find(id); return there })...)
	}
	unlisted, err := r.forsaken(ctx, v.Unlisted(), h.Slabs, l)
	for _, id := range unlisted {
		h.Unlisted[id] = true
	}
	return h, err
}
