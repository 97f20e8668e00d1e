package stock

import (
	"bytes"
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

// blotBaseless takes the identities out of frames that stand on slabs which are not there, or on which nobody may rely,
// so that nobody finds their chunks. Where slabs are relied on without looking, so are those that they stand on: who
// reclaims lets none of these go before them (FORMAT.md, section 10, Moving).
func (p *presence) blotBaseless(rec *format.SlabRecord) *format.SlabRecord {
	if p.each != nil {
		return rec // who only looks relies on nothing
	}
	var without []format.SlabID
	for _, id := range rec.BaseSlabs() {
		if !p.mayHold(id) {
			without = append(without, id)
		}
	}
	if len(without) == 0 {
		return rec
	}
	clean := *rec
	clean.Frames = slices.Clone(rec.Frames)
	for i := range clean.Frames {
		if slices.ContainsFunc(clean.Frames[i].Bases, func(b format.Base) bool { return slices.Contains(without, b.Slab) }) {
			clean.Frames[i].IDs = bytes.Repeat([]byte{0}, len(clean.Frames[i].IDs))
		}
	}
	return &clean
}

// mayHold tells whether frames may stand on a slab.
func (p *presence) mayHold(id format.SlabID) bool {
	if p.relied != nil {
		return !p.exclude.names(id)
	}
	_, ok := p.slabs.Find(id)
	return ok
}

// Bases gives, of each slab that tables say has deltas, the slabs that these stand on.
func (r *Stock) Bases(ctx context.Context) (map[format.SlabID][]format.SlabID, error) {
	all := make(map[format.SlabID][]format.SlabID)
	return all, r.ReadTables(ctx, func(_ storage.Info, records []*format.SlabRecord, _ error) error {
		for _, rec := range records {
			for _, id := range rec.BaseSlabs() {
				if !slices.Contains(all[rec.Slab], id) {
					all[rec.Slab] = append(all[rec.Slab], id)
				}
			}
		}
		return nil
	})
}
