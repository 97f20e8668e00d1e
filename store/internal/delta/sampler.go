package delta

import (
	"encoding/binary"
	"math/bits"
)

// window is how many bytes an anchor is taken of. What is shorter than that has none.
const window = 48

// Often is one anchor in so many bytes, on average; it is a power of two up to 4096. An anchor at one of these is one
// at all smaller ones.
type Often int

// Sampler finds anchors: fingerprints of 48 bytes each, at places that follow from these bytes alone. So contents that
// share a stretch of some length share anchors. It may be used by several goroutines.
type Sampler struct{ gear [256]uint64 }

// NewSampler gives a sampler. All of them find the same anchors.
func NewSampler() *Sampler {
	s := new(Sampler)
	x := uint64(0)
	for i := range s.gear {
		// SplitMix64 (Steele, Lea, Flood, "Fast splittable pseudorandom number generators", OOPSLA 2014; its constants from memory).
		x += 0x9e3779b97f4a7c15
		z := (x ^ x>>30) * 0xbf58476d1ce4e5b9
		z = (z ^ z>>27) * 0x94d049bb133111eb
		s.gear[i] = z ^ z>>31
	}
	return s
}

// Append appends the anchors of b, in order. The places are chosen by a gear hash (Xia et al., "FastCDC", USENIX ATC
// 2016, from memory): it is shifted by a bit with each byte, so that the bits below the 48th say nothing of more than 48 bytes.
func (s *Sampler) Append(anchors []uint64, b []byte, often Often) []uint64 {
	shift := window - (bits.Len(uint(often)) - 1)
	mask := uint64(often-1) << shift
	h := uint64(0)
	for i, c := range b {
		h = h<<1 + s.gear[c]
		if h&mask == 0 && i >= window-1 {
			anchors = append(anchors, fingerprint(b[i+1-window:i+1]))
		}
	}
	return anchors
}

// fingerprint gives 64 bits of a window.
func fingerprint(b []byte) uint64 {
	h := uint64(0)
	for ; len(b) > 0; b = b[8:] {
		hi, lo := bits.Mul64(h^binary.LittleEndian.Uint64(b), 0x9e3779b97f4a7c15)
		h = hi ^ lo + 0xbb67ae8584caa73b
	}
	return h
}
