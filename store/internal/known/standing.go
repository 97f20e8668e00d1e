package known

import (
	"iter"
	"maps"

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

// stand notes what the frames of a slab stand on, but for padding.
func (x *Index) stand(slab format.SlabID, frames []format.TableFrame) {
	var seen map[format.SlabID]bool // as a forged table names any number
	bases := x.standing[slab]
	for i := range frames {
		f := &frames[i]
		if f.Padding {
			return // behind all others
		}
		if len(f.Bases) == 0 {
			continue
		}
		if seen == nil {
			seen = map[format.SlabID]bool{slab: true}
			for _, base := range bases {
				seen[base] = true
			}
		}
		for _, b := range f.Bases {
			if !seen[b.Slab] && f.ID(0) != (crypt.Identity{}) {
				seen[b.Slab] = true
				bases = append(bases, b.Slab)
			}
		}
		x.standing[slab] = bases
	}
}
