package mend

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// markBad puts a mark of the places that can't be read, so that no writer relies on them: of slabs that are gone, too,
// as one that does not list them would take them for there by the word of a capture that needs them.
func (p *repairer) markBad(ctx context.Context) error {
	going, err := p.r.ledger.ReadStages(ctx, names.Harmed)
	if err != nil {
		return err
	}
	marked := going.Harmed()
	record := &format.BatchRecord{}
	for id, b := range p.bad {
		if !marked.Covers(id, b.frames) {
			// Also where a mark is there of fewer frames: marks add up.
			record.Harmed = append(record.Harmed, format.HarmedSlab{Slab: id, Frames: b.frames})
		}
	}
	if len(record.Harmed) == 0 {
		return nil
	}
	slices.SortFunc(record.Harmed, func(a, b format.HarmedSlab) int { return slices.Compare(a.Slab[:], b.Slab[:]) })
	_, err = p.r.ledger.PutBatch(ctx, names.Harmed, record)
	return err
}

// unmark takes back marks of places that are all whole again, as where a slab was put back: while they stand, captures store
// once more what is there.
func (p *repairer) unmark(ctx context.Context) error {
	going, err := p.r.ledger.ReadStages(ctx, names.Harmed)
	if err != nil {
		return err
	}
	for _, m := range going.Harm {
		if m.Record == nil || slices.ContainsFunc(m.Record.Harmed, func(h format.HarmedSlab) bool { return p.bad[h.Slab] != nil }) {
			continue
		}
		if err := p.removeMark(ctx, m.Info.Name); err != nil {
			return err
		}
	}
	return nil
}
