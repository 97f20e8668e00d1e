package chunk

import (
	"math/bits"

	"github.com/restic/chunker"
)

// window is the number of bytes that a fingerprint is computed of.
const window = 64

// scanner finds the places where a content may be cut: behind which byte the
// fingerprint of the window ends in zero bits. A fingerprint depends on the
// bytes of its window alone, so every part of a content can be searched by
// itself, and several are at the same time: one fingerprint has to wait for the
// one before it, which leaves a core idle most of the time, and those of
// independent lanes fill the gaps. Which of the places are cuts, the Cutter
// says.
type scanner struct {
	mask uint64
	// mod[b] is b*x^degree, for the bits that a shift by a byte moves above the
	// degree: its low bits are the remainder that takes their place, its high
	// bits clear them.
	mod [256]uint64
	// out[b] is the share that a byte has in a fingerprint one step after it has
	// left the window.
	out [256]uint64
}

func newScanner(p Params) *scanner {
	s := &scanner{mask: uint64(p.Average) - 1}
	pol := chunker.Pol(p.Polynomial)
	for b := range 8 { // both are linear: eight values make the others
		bit := chunker.Pol(1) << b
		mod := (bit << degree).Mod(pol) | bit<<degree
		out := bit
		for range window {
			out = (out << 8).Mod(pol)
		}
		for i := range 1 << b {
			s.mod[1<<b+i] = s.mod[i] ^ uint64(mod)
			s.out[1<<b+i] = s.out[i] ^ uint64(out)
		}
	}
	return s
}

// fingerprint gives that of a whole window.
func (s *scanner) fingerprint(w []byte) (f uint64) {
	for _, b := range w[:window] {
		f = f<<8 ^ uint64(b) ^ s.mod[uint8(f>>(degree-8))]
	}
	return f
}

// lanes is how many parts are searched at the same time, each in steps of 64
// bytes: four fingerprints and what it takes to compute them fit in the
// registers of a core.
const (
	lanes = 4
	step  = 64
)

// overrun is how many bytes at the most a search goes beyond its end, where it
// finds places that mean nothing.
const overrun = lanes*step - 1

// search sets the bits of the places in data[window+from:window+to], and
// clears those of the others: bit i%64 of places[i/64] says that the content
// may be cut behind data[window+i]. It takes from as the multiple of step at or
// below. There must be overrun bytes behind to, in data and places.
func (s *scanner) search(data []byte, from, to int, places []uint64) {
	if from >= to {
		return
	}
	from &^= step - 1
	n := (to - from + overrun) / (lanes * step) * step // bytes of a lane
	clear(places[from/64 : (from+lanes*n)/64])
	d0, d1, d2, d3 := data[from:], data[from+n:], data[from+2*n:], data[from+3*n:]
	f0, f1, f2, f3 := s.fingerprint(d0), s.fingerprint(d1), s.fingerprint(d2), s.fingerprint(d3)
	for at := 0; at < n; at += step {
		w0 := (*[step + window]byte)(d0[at:])
		w1 := (*[step + window]byte)(d1[at:])
		w2 := (*[step + window]byte)(d2[at:])
		w3 := (*[step + window]byte)(d3[at:])
		for i := range step {
			f0 = f0<<8 ^ (uint64(w0[i+window]) ^ s.out[w0[i]]) ^ s.mod[uint8(f0>>(degree-8))]
			f1 = f1<<8 ^ (uint64(w1[i+window]) ^ s.out[w1[i]]) ^ s.mod[uint8(f1>>(degree-8))]
			f2 = f2<<8 ^ (uint64(w2[i+window]) ^ s.out[w2[i]]) ^ s.mod[uint8(f2>>(degree-8))]
			f3 = f3<<8 ^ (uint64(w3[i+window]) ^ s.out[w3[i]]) ^ s.mod[uint8(f3>>(degree-8))]
			if f0&s.mask == 0 {
				places[(from+at)/64] |= 1 << i
			}
			if f1&s.mask == 0 {
				places[(from+n+at)/64] |= 1 << i
			}
			if f2&s.mask == 0 {
				places[(from+2*n+at)/64] |= 1 << i
			}
			if f3&s.mask == 0 {
				places[(from+3*n+at)/64] |= 1 << i
			}
		}
	}
}

// first gives the first place from from on and before to, or to.
func first(places []uint64, from, to int) int {
	if from >= to {
		return to
	}
	w := places[from/64] >> (from % 64) << (from % 64)
	for i := from / 64; ; {
		if w != 0 {
			return min(i*64+bits.TrailingZeros64(w), to)
		}
		if i++; i*64 >= to {
			return to
		}
		w = places[i]
	}
}
