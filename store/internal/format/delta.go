package format

import (
	"fmt"
	"slices"

	"github.com/kistarchive/kist/crypt"
)

// Standing says what a frame of kind Delta stands on. Of other kinds it is empty.
type Standing struct {
	Depth  uint32 `cbor:"5,keyasint,omitempty"` // how many frames may be below it: above that of each frame of its bases
	Copies uint32 `cbor:"7,keyasint,omitempty"` // length of the compressed copies, the first part of the frame, in bytes
	// Bases are joined in order. A writer that does not know them would let them go: so the key is below zero.
	Bases []Base `cbor:"-1,keyasint,omitempty"`
}

// Base is a number of consecutive chunks of one frame, in this slab or another one.
type Base struct {
	_     struct{} `cbor:",toarray"`
	Slab  SlabID
	First uint32 // number of the first chunk in the slab
	Count uint32
}

// Limits of frames of kind Delta: who reads one decompresses no more than its bases, and theirs.
const (
	MaxDepth      = 2
	MaxBases      = 64
	MaxBaseFrames = 8
	MaxBaseRaw    = FrameTarget // uncompressed length of a frame that is a base, in bytes
)

func (f *Frame) checkStanding() error {
	switch f.Kind {
	case Zstd:
		if f.Depth != 0 || f.Copies != 0 || len(f.Bases) > 0 {
			return damaged("a frame that stands alone, with bases")
		}
	case Delta:
		if f.Depth == 0 || f.Depth > MaxDepth || f.Padding {
			return damaged("a delta of depth %d", f.Depth)
		}
		if f.Copies == 0 || int64(f.Copies) > int64(f.Sealed)-crypt.Overhead {
			return damaged("copies of %d bytes in a frame of %d", f.Copies, f.Sealed)
		}
		if len(f.Bases) == 0 || len(f.Bases) > MaxBases {
			return damaged("a delta with %d bases", len(f.Bases))
		}
		for _, b := range f.Bases {
			if b.Count == 0 || b.Count > MaxFrameChunks || uint64(b.First)+uint64(b.Count) > MaxSlabChunks {
				return damaged("a base of %d chunks", b.Count)
			}
		}
		if n := slabsOf(f.Bases); n > MaxBaseFrames { // each has a frame at least
			return damaged("a delta with bases in %d slabs", n)
		}
	}
	return nil
}

// CheckBase says why a frame of a depth and an uncompressed length can't be a base of one of depth above.
func CheckBase(depth uint32, raw int, above uint32) error {
	switch {
	case depth >= above:
		return fmt.Errorf("depth %d, under a frame of depth %d", depth, above)
	case raw > MaxBaseRaw:
		return fmt.Errorf("a frame of %d bytes", raw)
	}
	return nil
}

// slabsOf counts the slabs that bases lie in.
func slabsOf(bases []Base) (n int) {
	for i, b := range bases {
		if !slices.ContainsFunc(bases[:i], func(o Base) bool { return o.Slab == b.Slab }) {
			n++
		}
	}
	return n
}

// BaseSlabs gives the slabs, but for the frames' own, that bases of frames lie in, each once.
func BaseSlabs(own SlabID, frames []Frame) []SlabID {
	b := baseSlabs{seen: map[SlabID]bool{own: true}}
	for i := range frames {
		b.add(frames[i].Bases)
	}
	return b.ids
}

// BaseSlabs gives the slabs, but for its own, that bases of the record's frames lie in, each once.
func (r *SlabRecord) BaseSlabs() []SlabID {
	b := baseSlabs{seen: map[SlabID]bool{r.Slab: true}}
	for i := range r.Frames {
		b.add(r.Frames[i].Bases)
	}
	return b.ids
}

// baseSlabs are slabs, each once: a forged table names any number.
type baseSlabs struct {
	ids  []SlabID
	seen map[SlabID]bool
}

func (b *baseSlabs) add(bases []Base) {
	for i := range bases {
		if id := bases[i].Slab; !b.seen[id] {
			b.seen[id] = true
			b.ids = append(b.ids, id)
		}
	}
}

// HasDeltas tells whether a frame of the record is a delta.
func (r *SlabRecord) HasDeltas() bool {
	return slices.ContainsFunc(r.Frames, func(f TableFrame) bool { return len(f.Bases) > 0 })
}

// SameAs tells whether two frames stand on the same.
func (s *Standing) SameAs(o *Standing) bool {
	return s.Depth == o.Depth && s.Copies == o.Copies && slices.Equal(s.Bases, o.Bases)
}
