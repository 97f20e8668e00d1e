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
//
// Fingerprints stand in the high bits of their words: what a shift by a byte moves above
// the degree is shifted out, and needs not be cleared.
type scanner struct {
	mask uint64
	// mod[b] is what takes the place of a byte that is shifted out: b*x^degree.
	mod [256]uint64
	// in[b] is a byte that enters the window.
	in [256]uint64
	// out[b] is the share that a byte has in a fingerprint one step after it has
	// left the window.
	out [256]uint64
}

// align is how far up a fingerprint stands.
const align = 64 - degree

func newScanner(p Params) *scanner {
	s := &scanner{mask: (uint64(p.Average) - 1) << align}
	pol := chunker.Pol(p.Polynomial)
	for b := range 8 { // all are linear: eight values make the others
		bit := chunker.Pol(1) << b
		mod := (bit << degree).Mod(pol)
		out := bit
		for range window {
			out = (out << 8).Mod(pol)
		}
		for i := range 1 << b {
			s.mod[1<<b+i] = s.mod[i] ^ uint64(mod)<<align
			s.in[1<<b+i] = s.in[i] ^ uint64(bit)<<align
			s.out[1<<b+i] = s.out[i] ^ uint64(out)<<align
		}
	}
	return s
}

// fingerprint gives that of a whole window.
func (s *scanner) fingerprint(w []byte) (f uint64) {
	for _, b := range w[:window] {
		f = f<<8 ^ s.in[b] ^ s.mod[f>>56]
	}
	return f
}

// lanes is how many parts are searched at the same time, each in steps of so
// many bytes: four fingerprints and what it takes to compute them fit in the
// registers of a core.
const (
	lanes = 4
	step  = 256
)

// overrun is how many bytes at the most a search goes beyond its end, where it
// finds places that mean nothing.
const overrun = lanes*step - 1

// search sets the bits of the places in data[window+from:window+to], and
// clears those of the others: bit i%64 of places[i/64] says that the content
// may be cut behind data[window+i]. It takes from as the multiple of 64 at or
// below. There must be overrun bytes behind to, in data and places.
func (s *scanner) search(data []byte, from, to int, places []uint64) {
	if from >= to {
		return
	}
	from &^= 63
	for ; to-from >= lanes*span; from += lanes * span {
		hits := (*[lanes * span / 64]uint64)(places[from/64:])
		clear(hits[:])
		s.sweep((*block)(data[from:]), hits)
	}
	if from >= to {
		return
	}
	n := (to - from + overrun) / (lanes * step) * step // bytes of a lane
	var f [lanes]uint64
	for k := range f {
		f[k] = s.fingerprint(data[from+k*n:])
	}
	for at := from; at < from+n; at += step {
		var hits [lanes][step / 64]uint64
		s.roll(&f, (*stretch)(data[at:]), (*stretch)(data[at+n:]), (*stretch)(data[at+2*n:]), (*stretch)(data[at+3*n:]), &hits)
		for k := range hits {
			copy(places[(at+k*n)/64:], hits[k][:])
		}
	}
}

// stretch is what a lane goes over in a step, behind the window before it.
type stretch [window + step]byte

// roll goes over a stretch in each lane, from the fingerprints of the windows
// before, and sets the bits of the places found.
func (s *scanner) roll(f *[lanes]uint64, w0, w1, w2, w3 *stretch, hits *[lanes][step / 64]uint64) {
	mask := s.mask
	f0, f1, f2, f3 := f[0], f[1], f[2], f[3]
	for i := range step {
		f0 = f0<<8 ^ s.in[w0[i+window]] ^ s.out[w0[i]] ^ s.mod[f0>>56]
		f1 = f1<<8 ^ s.in[w1[i+window]] ^ s.out[w1[i]] ^ s.mod[f1>>56]
		f2 = f2<<8 ^ s.in[w2[i+window]] ^ s.out[w2[i]] ^ s.mod[f2>>56]
		f3 = f3<<8 ^ s.in[w3[i+window]] ^ s.out[w3[i]] ^ s.mod[f3>>56]
		if f0&mask == 0 {
			hits[0][i/64] |= 1 << (i % 64)
		}
		if f1&mask == 0 {
			hits[1][i/64] |= 1 << (i % 64)
		}
		if f2&mask == 0 {
			hits[2][i/64] |= 1 << (i % 64)
		}
		if f3&mask == 0 {
			hits[3][i/64] |= 1 << (i % 64)
		}
	}
	f[0], f[1], f[2], f[3] = f0, f1, f2, f3
}

// span is how many bytes a lane goes over in a sweep. The lanes of one are at constant
// distances, so that a core has registers enough for them.
const span = 4 << 10

// block is what a sweep goes over, behind the window before it.
type block [window + lanes*span]byte

// sweep sets the bits of the places in a block. It is roll for long contents.
func (s *scanner) sweep(b *block, hits *[lanes * span / 64]uint64) {
	mask := s.mask
	f0, f1, f2, f3 := s.fingerprint(b[:]), s.fingerprint(b[span:]), s.fingerprint(b[2*span:]), s.fingerprint(b[3*span:])
	for i := range span {
		f0 = f0<<8 ^ s.in[b[i+window]] ^ s.out[b[i]] ^ s.mod[f0>>56]
		f1 = f1<<8 ^ s.in[b[i+window+span]] ^ s.out[b[i+span]] ^ s.mod[f1>>56]
		f2 = f2<<8 ^ s.in[b[i+window+2*span]] ^ s.out[b[i+2*span]] ^ s.mod[f2>>56]
		f3 = f3<<8 ^ s.in[b[i+window+3*span]] ^ s.out[b[i+3*span]] ^ s.mod[f3>>56]
		if f0&mask != 0 && f1&mask != 0 && f2&mask != 0 && f3&mask != 0 {
			continue
		}
		for k, f := range [lanes]uint64{f0, f1, f2, f3} {
			if f&mask == 0 {
				hits[(k*span+i)/64] |= 1 << (i % 64)
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
