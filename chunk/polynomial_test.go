package chunk

import (
	"errors"
	"io"
	"math/bits"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/restic/chunker"
)

// mulmod multiplies in GF(2)[x] modulo f of degree 53, bit by bit.
func mulmod(a, b, f uint64) (product uint64) {
	for ; b > 0; b >>= 1 {
		if b&1 == 1 {
			product ^= a
		}
		if a <<= 1; a>>degree&1 == 1 {
			a ^= f
		}
	}
	return product
}

func gcd(a, b uint64) uint64 {
	for b != 0 {
		for a != 0 && bits.Len64(a) >= bits.Len64(b) {
			a ^= b << (bits.Len64(a) - bits.Len64(b))
		}
		a, b = b, a
	}
	return a
}

// irreducible is Rabin's test (M. O. Rabin, "Probabilistic algorithms in finite
// fields", SIAM J. Comput. 9, 1980, lemma 1), where the library uses Ben-Or's:
// as 53 is prime, f is irreducible if and only if x^(2^53) = x mod f and
// x^2-x has no factor in common with f.
func irreducible(f uint64) bool {
	power := uint64(2)
	for range degree {
		power = mulmod(power, power, f)
	}
	return power == 2 && gcd(f, 0b110) == 1
}

func TestDerivePolynomial(t *testing.T) {
	seen := map[Polynomial]bool{}
	for seed := range byte(20) {
		p, err := DerivePolynomial(rand.NewChaCha8([32]byte{seed}))
		if err != nil {
			t.Fatal(err)
		}
		again, err := DerivePolynomial(rand.NewChaCha8([32]byte{seed}))
		if err != nil || again != p {
			t.Errorf("seed %d: %#x, then %#x, %v", seed, p, again, err)
		}
		if bits.Len64(uint64(p)) != degree+1 || !irreducible(uint64(p)) || !chunker.Pol(p).Irreducible() {
			t.Errorf("seed %d: %#x is not irreducible of degree 53", seed, p)
		}
		seen[p] = true
	}
	if len(seen) != 20 {
		t.Errorf("%d polynomials of 20 seeds", len(seen))
	}
	// A value that changes makes contents cut before unlike those cut after.
	// Computed once with library release 0.4.0.
	if p, _ := DerivePolynomial(rand.NewChaCha8([32]byte{})); p != 0x21eb1d01b086db {
		t.Errorf("of the zero seed: %#x", p)
	}
}

func TestIrreducibleAgrees(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for range 500 {
		f := rng.Uint64()>>11 | 1<<degree | 1
		if got, want := chunker.Pol(f).Irreducible(), irreducible(f); got != want {
			t.Errorf("%#x: library %v, Rabin's test %v", f, got, want)
		}
	}
}

func TestDerivePolynomialErrors(t *testing.T) {
	for _, n := range []int{0, 7} {
		_, err := DerivePolynomial(strings.NewReader(strings.Repeat("\x00", n)))
		if !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%d bytes: %v", n, err)
		}
	}
}
