package chunk

import (
	"fmt"
	"io"
	"math/bits"

	"github.com/restic/chunker"
)

// Limits and default of Params.Average, in bytes.
const (
	MinAverage     = 8 << 10
	MaxAverage     = 1 << 20
	DefaultAverage = 16 << 10
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

// DerivePolynomial reads source, 8 bytes at a time, until they make an
// irreducible polynomial: 27 times on average, as every odd candidate is one
// with probability 2/53. The same source gives the same polynomial, always.
// It returns the error of source, io.EOF included.
func DerivePolynomial(source io.Reader) (Polynomial, error) {
	p, err := chunker.DerivePolynomial(source)
	if err != nil {
		return 0, fmt.Errorf("derive a chunking polynomial: %w", err)
	}
	return Polynomial(p), nil
}

// Params fixes where a content is cut. Two contents share chunks only where
// they were cut with the same Params.
type Params struct {
	// Average is the mean distance, in bytes, between two places where the
	// content may be cut: a power of two, MinAverage to MaxAverage. The mean
	// length of a chunk is 1.23 times as much (see the package comment).
	Average int

	// Polynomial comes from DerivePolynomial; zero is refused.
	Polynomial Polynomial
}

// Min is the length of the shortest chunk, Average/4: only the last chunk of a
// content may be shorter.
func (p Params) Min() int { return p.Average / 4 }

// Max is the length of the longest chunk, 4*Average.
func (p Params) Max() int { return 4 * p.Average }

// Validate says whether contents can be cut with p. It tests the polynomial's
// degree, not that it is irreducible.
func (p Params) Validate() error {
	if p.Average < MinAverage || p.Average > MaxAverage || bits.OnesCount(uint(p.Average)) != 1 {
		return fmt.Errorf("average chunk length %d: must be a power of two from %d to %d bytes",
			p.Average, MinAverage, MaxAverage)
	}
	// The value stays out of the message: it may come from a key.
	if d := chunker.Pol(p.Polynomial).Deg(); d != degree {
		return fmt.Errorf("chunking polynomial of degree %d: must be %d, as DerivePolynomial makes it", d, degree)
	}
	return nil
}

// bits is the number of low bits of the fingerprint that are zero at a cut.
func (p Params) bits() int { return bits.TrailingZeros(uint(p.Average)) }
