package known

import (
	"iter"
	"sort"

	"github.com/kistarchive/kist/store/internal/format"
)

// Find gives the chunk of that number in a slab that AddSlab added. Unlike the
// other methods it may be called beside Add, by one goroutine.
func (x *Index) Find(slab format.SlabID, chunk uint32) (Ref, bool) {
	x.number()
	i := x.found // mostly the same slab again
	if i >= len(x.slabs) || x.slabs[i].slab != slab {
		var ok bool
		if i, ok = x.bySlab[slab]; !ok {
			return x.addedChunk(slab, chunk)
		}
		x.found = i
	}
	return x.chunkOf(i, chunk)
}

// number makes bySlab.
func (x *Index) number() {
	if x.bySlab != nil {
		return
	}
	x.bySlab = make(map[format.SlabID]int, len(x.slabs))
	for i, s := range x.slabs {
		x.bySlab[s.slab] = i
	}
}

// FindBeside is Find for another goroutine beside that of Find, which was called before.
func (x *Index) FindBeside(slab format.SlabID, chunk uint32) (Ref, bool) {
	i, ok := x.bySlab[slab]
	if !ok {
		return x.addedChunk(slab, chunk)
	}
	return x.chunkOf(i, chunk)
}

// chunkOf gives a chunk of the slab at a place in slabs.
func (x *Index) chunkOf(i int, chunk uint32) (Ref, bool) {
	r := x.slabs[i].first + Ref(chunk)
	return r, chunk < x.chunks(i) && !x.blank[r] && !x.far.isHidden(i) && x.isThere(i)
}

// chunks gives how many chunks the slab at a place in slabs has.
func (x *Index) chunks(i int) uint32 {
	end := x.fresh
	if i+1 < len(x.slabs) {
		end = x.slabs[i+1].first
	}
	return uint32(end - x.slabs[i].first)
}

// span gives the place in slabs of a chunk that AddSlab added.
func (x *Index) span(r Ref) int {
	i := x.lookedUp // mostly the same slab again
	if x.slabs[i].first <= r && (i+1 == len(x.slabs) || r < x.slabs[i+1].first) {
		return i
	}
	x.lookedUp = x.slabOf(r)
	return x.lookedUp
}

// slabOf is span for any goroutine.
func (x *Index) slabOf(r Ref) int {
	return sort.Search(len(x.slabs), func(i int) bool { return x.slabs[i].first > r }) - 1
}

// Slabs gives the slabs that AddSlab added, each with its first chunk.
func (x *Index) Slabs() iter.Seq2[format.SlabID, Ref] {
	return func(yield func(format.SlabID, Ref) bool) {
		for _, s := range x.slabs {
			if !yield(s.slab, s.first) {
				return
			}
		}
	}
}

type slabSpan struct {
	first Ref
	slab  format.SlabID
}

// Locate says where a chunk lies: in which slab, and its number there. A chunk
// from Add must have been placed.
func (x *Index) Locate(r Ref) (format.SlabID, uint32) {
	slab, chunk, _ := x.LocateMany(r, 1)
	return slab, chunk
}

// LocateMany is Locate for the n chunks from r on. It says how many of them, one at
// least, follow each other in that slab.
func (x *Index) LocateMany(r Ref, n uint32) (format.SlabID, uint32, uint32) {
	if r >= x.fresh {
		p, frames := x.places[r-x.fresh], x.settled
		if p.frame&elsewhere != 0 {
			return x.others[p.frame&^elsewhere], p.chunk, 1
		}
		if int(r-x.fresh) >= x.findable {
			frames = x.frames // which may be growing
		}
		f := frames[p.frame]
		return f.slab, f.first + p.chunk, 1
	}
	i := x.slabOf(r)
	at := uint32(r - x.slabs[i].first)
	return x.slabs[i].slab, at, min(n, x.chunks(i)-at)
}
