package known

import (
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// place says where a chunk lies that Add added: in which frame of this session; or in which of others.
type place struct {
	frame uint32 // or elsewhere and a place in others
	chunk uint32
}

// elsewhere tells places of AddElsewhere.
const elsewhere = 1 << 31

type framePlace struct {
	slab  format.SlabID
	first uint32 // number of the frame's first chunk within the slab
}

// Add adds a chunk that is yet to be placed: number chunk of the frame with
// the given number.
func (x *Index) Add(id crypt.Identity, frame, chunk int) (Ref, error) {
	r, err := x.append(id)
	if err == nil {
		x.hash()
		if x.used >= len(x.slots)/4*3 {
			x.grow()
		}
		x.insert(id, r)
		x.places = append(x.places, place{uint32(frame), uint32(chunk)})
	}
	return r, err
}

// AddElsewhere adds a chunk that lies in a slab that AddSlab did not add: its chunk of that number.
func (x *Index) AddElsewhere(id crypt.Identity, slab format.SlabID, chunk uint32) (Ref, error) {
	n, ok := x.otherNos[slab]
	if !ok {
		n = uint32(len(x.others))
		if x.otherNos == nil {
			x.otherNos = make(map[format.SlabID]uint32)
		}
		x.otherNos[slab], x.others = n, append(x.others, slab)
	}
	r, err := x.Add(id, 0, 0)
	if err == nil {
		x.places[r-x.fresh] = place{elsewhere | n, chunk}
	}
	return r, err
}

// PlaceFrame says where a frame of this session lies: in slab, its first chunk
// being the slab's chunk number first. Alone of all methods it may be called
// beside Add and Lookup, by one goroutine.
func (x *Index) PlaceFrame(frame int, slab format.SlabID, first uint32) {
	for len(x.frames) <= frame {
		x.frames = append(x.frames, framePlace{})
	}
	x.frames[frame] = framePlace{slab, first}
}

// FramePlace gives what PlaceFrame said, to the goroutine that says it.
func (x *Index) FramePlace(frame int) (slab format.SlabID, first uint32) {
	p := x.frames[frame]
	return p.slab, p.first
}

// FindAdded lets Find and FindBeside give the chunks, too, that Add added so far, which have all been placed, and Locate be
// called for them beside PlaceFrame. It comes once before the first of these where they are called beside each other. It
// takes 4 bytes more for each chunk. What AddElsewhere added stays not found.
func (x *Index) FindAdded() {
	if x.added == nil {
		x.added = make(map[format.SlabID][]Ref)
	}
	x.number()
	x.settled = x.frames
	for ; x.findable < len(x.places); x.findable++ {
		p := x.places[x.findable]
		if p.frame&elsewhere != 0 {
			continue
		}
		f := x.frames[p.frame]
		refs, n := x.added[f.slab], int(f.first+p.chunk)
		for len(refs) <= n {
			refs = append(refs, noRef)
		}
		refs[n] = x.fresh + Ref(x.findable)
		x.added[f.slab] = refs
	}
}

// CanFind tells whether Find gives a chunk that Lookup gave: FindAdded may not have come since it was added.
func (x *Index) CanFind(r Ref) bool {
	return r < x.fresh || int(r-x.fresh) < x.findable && x.places[r-x.fresh].frame&elsewhere == 0
}

// addedChunk gives a chunk that FindAdded found.
func (x *Index) addedChunk(slab format.SlabID, chunk uint32) (Ref, bool) {
	refs := x.added[slab]
	if int(chunk) >= len(refs) || refs[chunk] == noRef {
		return 0, false
	}
	return refs[chunk], true
}
