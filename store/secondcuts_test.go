package store_test

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"fmt"
	"io"
	"math/bits"

	"lukechampine.com/blake3"
)

// Chunk boundaries, section 5, as the page tells them to a second writer.

// secondWindow is the length of the window in bytes.
const secondWindow = 64

// secondDegree is the degree of the polynomial.
const secondDegree = 53

// polynomial derives the repository's irreducible polynomial over GF(2); bit n
// is the coefficient of x^n.
func (r *secondReader) polynomial() (uint64, error) {
	source := blake3.New(32, r.keys.boundaries).XOF()
	for {
		var b [8]byte
		if _, err := io.ReadFull(source, b[:]); err != nil {
			return 0, err
		}
		p := binary.LittleEndian.Uint64(b[:])&(1<<(secondDegree+1)-1) | 1<<secondDegree | 1
		if irreducible(p) {
			return p, nil
		}
	}
}

// irreducible tests a polynomial of prime degree p: it is irreducible if it has
// no root in GF(2) and divides x^(2^p) - x (Rabin, "Probabilistic algorithms in
// finite fields", 1980, lemma 1; the statement from memory).
func irreducible(p uint64) bool {
	if p&1 == 0 || bits.OnesCount64(p)%2 == 0 {
		return false
	}
	x := uint64(2)
	for range secondDegree {
		x = multiply(x, x, p)
	}
	return x == 2
}

// multiply gives a*b modulo p.
func multiply(a, b, p uint64) (product uint64) {
	for ; b > 0; b >>= 1 {
		if b&1 == 1 {
			product ^= a
		}
		a = reduce(a<<1, p)
	}
	return product
}

// reduce gives a modulo p, for an a of at most one degree more.
func reduce(a, p uint64) uint64 {
	if a>>secondDegree&1 == 1 {
		a ^= p
	}
	return a
}

// fingerprint gives the remainder of bytes, the highest bit of the first in
// front, modulo p.
func fingerprint(b []byte, p uint64) (f uint64) {
	for _, c := range b {
		f = shift(f, c, p)
	}
	return f
}

// shift gives the remainder of f followed by another byte.
func shift(f uint64, c byte, p uint64) uint64 {
	for i := 7; i >= 0; i-- {
		f = reduce(f<<1|uint64(c>>i&1), p)
	}
	return f
}

// cut gives the length of the chunk that begins a content.
func (r *secondReader) cut(content []byte, p uint64) int {
	from := r.average / 4
	if len(content) <= from {
		return len(content)
	}
	var leaving [256]uint64 // what a byte is worth as the window's first
	for c := range leaving {
		leaving[c] = fingerprint(append([]byte{byte(c)}, make([]byte, secondWindow-1)...), p)
	}
	f := fingerprint(content[from-secondWindow:from], p)
	for n := from; ; n++ {
		if n == len(content) || n == 4*r.average || f&uint64(r.average-1) == 0 {
			return n
		}
		f = shift(f^leaving[content[n-secondWindow]], content[n], p)
	}
}

// checkCuts tells whether a content was cut into chunks where it must be.
func (r *secondReader) checkCuts(chunks [][]byte, p uint64) error {
	content := bytes.Join(chunks, nil)
	for i, c := range chunks {
		if n := r.cut(content, p); n != len(c) {
			return fmt.Errorf("chunk %d has %d bytes and should have %d", i, len(c), n)
		}
		content = content[len(c):]
	}
	return nil
}

// checkVolumeCuts holds the streams of a volume against checkCuts: each whole,
// but of the contents each for itself.
func (r *secondReader) checkVolumeCuts(v *secondVolume) error {
	p, err := r.polynomial()
	if err != nil {
		return err
	}
	for _, recipe := range []*secondRecipe{&v.List, v.Stamps, v.States} {
		if recipe == nil {
			continue
		}
		chunks, err := r.stream(recipe)
		if err != nil {
			return err
		}
		if err := r.checkCuts(chunks, p); err != nil {
			return err
		}
	}
	return r.checkContentCuts(v, p)
}

func (r *secondReader) checkContentCuts(v *secondVolume, p uint64) error {
	entries, err1 := r.members(v)
	contents, err2 := r.optional(v.Contents)
	if err := cmp.Or(err1, err2); err != nil {
		return err
	}
	for i, e := range entries {
		if err := r.checkCuts(contents[:e.Chunks], p); err != nil {
			return fmt.Errorf("entry %d: %w", i, err)
		}
		contents = contents[e.Chunks:]
	}
	return nil
}
