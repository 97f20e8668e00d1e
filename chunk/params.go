package chunk

import (
	"fmt"
	"math/bits"

	"github.com/restic/chunker"
)

// Limits and default of Params.Average, in bytes.
const (
	MinAverage     = 8 << 10
	MaxAverage     = 1 << 20
	DefaultAverage = 16 << 10
)

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
