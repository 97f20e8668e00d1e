package stock

import (
	"hash/maphash"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
)

func newInventory(slabs vault.SlabList) *inventory {
	return &inventory{slabs: slabs, listed: make([]int, len(slabs)), sums: make([]uint64, len(slabs)), others: make(map[listedSlab]int), seed: maphash.MakeSeed()}
}

// sum tells records of a slab apart that say different things; it is not 0.
func (v *inventory) sum(rec *format.SlabRecord) uint64 {
	var h maphash.Hash
	h.SetSeed(v.seed)
	for i := range rec.Frames {
		h.Write(rec.Frames[i].IDs)
		h.Write(rec.Frames[i].Former)
	}
	return h.Sum64() | 1
}

// forget has a writer rely on no chunk of some slabs: of two tables that say different
// things, either may be wrong.
func (s *Loaded) forget(slabs []format.SlabID) {
	for _, id := range slabs {
		s.Index.Forget(id)
	}
}
