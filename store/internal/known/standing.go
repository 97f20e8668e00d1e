package known

import (
	"iter"
	"maps"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// HasDeltas tells whether a slab that AddSlab added has frames that stand on others.
func (x *Index) HasDeltas(slab format.SlabID) bool {
	_, ok := x.standing[slab]
	return ok
}

// Bases gives the slabs that one stands on, of those frames whose chunks are found.
func (x *Index) Bases(slab format.SlabID) []format.SlabID { return x.standing[slab] }

// Standing gives the slabs that have frames which stand on others, each with those.
func (x *Index) Standing() iter.Seq2[format.SlabID, []format.SlabID] { return maps.All(x.standing) }

// AnyDeltas tells whether any such slab has.
func (x *Index) AnyDeltas() bool { return len(x.standing) > 0 }

// stand notes what a frame stands on.
func (x *Index) stand(slab format.SlabID, f *format.TableFrame) {
	if len(f.Bases) == 0 {
		return
	}
	bases := x.standing[slab]
	for _, b := range f.Bases {
		if b.Slab != slab && f.ID(0) != (crypt.Identity{}) && !slices.Contains(bases, b.Slab) {
			bases = append(bases, b.Slab)
		}
	}
	x.standing[slab] = bases
}
