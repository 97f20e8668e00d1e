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
		if bits.Len64(uint64(p)) != degree+1 || !chunker.Pol(p).Irreducible() {
			t.Errorf("seed %d: %#x is not irreducible of degree 53", seed, p)
		}
		if want, err := chunker.DerivePolynomial(rand.NewChaCha8([32]byte{seed})); err != nil || chunker.Pol(p) != want {
			t.Errorf("seed %d: %#x, the library's is %#x, %v", seed, p, want, err)
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

// The library's test is Ben-Or's.
func TestIrreducibleAgrees(t *testing.T) {
	rng, found := rand.New(rand.NewPCG(1, 2)), 0
	for range 2000 {
		f := rng.Uint64()>>11 | 1<<degree
		got := irreducible(f)
		if want := chunker.Pol(f).Irreducible(); got != want {
			t.Errorf("%#x: the library says %v", f, want)
		}
		if got {
			found++
		}
	}
	if found < 20 { // of about 38
		t.Errorf("only %d of 2,000 are irreducible", found)
	}
}

func TestDerivePolynomialErrors(t *testing.T) {
	for _, n := range []int{0, 7} {
		_, err := DerivePolynomial(strings.NewReader(strings.Repeat("\x00", n)))
		if !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%d bytes: %v", n, err)
		}
	}
	if p, err := DerivePolynomial(zeros{}); err == nil {
		t.Errorf("zeros give %#x", p)
	}
}

// zeros never ends.
type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}
