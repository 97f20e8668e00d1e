package chunk

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
)

// degree of every polynomial: the largest prime below 64-8, so that a
// fingerprint and the byte shifted into it fit in 64 bits. That it is prime is
// what makes the analysis in Rabin's paper (see the package comment) hold.
const degree = 53

// A Polynomial is an irreducible polynomial over GF(2) of degree 53, one bit a
// coefficient. It selects one fingerprint function out of about 2^53/53. Who
// does not know it cannot tell from the lengths of chunks what was cut, so a
// polynomial derived from a secret is a secret.
type Polynomial uint64

// maxCandidates bounds how many are tried: none of so many is irreducible with a
// probability far below 2^-50000, unless the source is not random at all.
const maxCandidates = 1_000_000

// DerivePolynomial reads source, 8 bytes at a time, until they make an
// irreducible polynomial: 27 times on average, as every odd candidate is one
// with probability 2/53. The same source gives the same polynomial, always, and it is
// that of chunker.DerivePolynomial, which takes eighty times as long.
// It returns the error of source, io.EOF included.
func DerivePolynomial(source io.Reader) (Polynomial, error) {
	var b [8]byte
	for range maxCandidates {
		if _, err := io.ReadFull(source, b[:]); err != nil {
			return 0, fmt.Errorf("derive a chunking polynomial: %w", err)
		}
		if f := binary.LittleEndian.Uint64(b[:])&(2<<degree-1) | 1<<degree | 1; irreducible(f) {
			return Polynomial(f), nil
		}
	}
	return 0, errors.New("derive a chunking polynomial: none is found")
}

// irreducible is Rabin's test (M. O. Rabin, "Probabilistic algorithms in finite
// fields", SIAM J. Comput. 9, 1980, lemma 1) for f of degree 53: as that is prime, f is
// irreducible if and only if x^(2^53) = x mod f and x^2-x = x*(x+1) has no factor in
// common with f.
func irreducible(f uint64) bool {
	if f&1 == 0 || bits.OnesCount64(f)%2 == 0 {
		return false // x or x+1 divides it
	}
	power := uint64(2)
	for range degree {
		power = square(power, f)
	}
	return power == 2
}

// square squares in GF(2)[x] modulo f of degree 53, bit by bit.
func square(a, f uint64) (product uint64) {
	for b := a; b > 0; b >>= 1 {
		if b&1 == 1 {
			product ^= a
		}
		if a <<= 1; a>>degree&1 == 1 {
			a ^= f
		}
	}
	return product
}
