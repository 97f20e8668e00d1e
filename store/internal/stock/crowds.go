package stock

import (
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
)

// countCrowds counts what stands on what, by all records that have deltas, but for those that are counted already, if counted is set.
func countCrowds(records []*format.SlabRecord, counted func(format.SlabID) bool) *intake.Crowds {
	crowds := new(intake.Crowds)
	all := make(map[format.SlabID]*baseless, len(records))
	for _, rec := range records {
		all[rec.Slab] = newBaseless(rec)
	}
	below := func(b format.Base) []format.Base {
		if base := all[b.Slab]; base != nil {
			return base.basesOf(b.First)
		}
		return nil
	}
	for _, rec := range records {
		if counted != nil && counted(rec.Slab) {
			continue
		}
		for i := range rec.Frames {
			crowds.Count(rec.Frames[i].Bases, below)
		}
	}
	return crowds
}

// basesOf gives what the frame of a chunk stands on.
func (s *baseless) basesOf(chunk uint32) []format.Base {
	i, found := slices.BinarySearch(s.first, chunk)
	if !found {
		i--
	}
	if i < 0 {
		return nil
	}
	return s.frames[i].Bases
}
