package chunk

import (
	"bytes"
	"testing"

	"github.com/restic/chunker"
)

func BenchmarkCutter(b *testing.B) {
	for _, size := range []struct {
		name string
		n    int
	}{{"4KiB", 4 << 10}, {"64KiB", 64 << 10}, {"16MiB", 16 << 20}} {
		b.Run(size.name, func(b *testing.B) {
			p := testParams(DefaultAverage)
			data := random(9, size.n)
			c, _ := NewCutter(p)
			buf := make([]byte, p.Max())
			r := bytes.NewReader(data)
			b.SetBytes(int64(size.n))
			b.ReportAllocs()
			for b.Loop() {
				cutWhole(c, r, data, buf)
			}
		})
	}
}

func BenchmarkWriter(b *testing.B) {
	data := random(9, 16<<20)
	w, _ := NewWriter(testParams(DefaultAverage), func([]byte) error { return nil })
	defer w.Close()
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		for rest := data; len(rest) > 0; rest = rest[min(len(rest), 32<<10):] {
			w.Write(rest[:min(len(rest), 32<<10)])
		}
	}
}

func BenchmarkDerivePolynomial(b *testing.B) {
	data := random(9, 1<<20)
	for b.Loop() {
		if _, err := DerivePolynomial(bytes.NewReader(data)); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkSearch is what the bytes of a long content cost at the least;
// BenchmarkLibrary is the same by the library, copying included.
func BenchmarkSearch(b *testing.B) {
	s := newScanner(testParams(DefaultAverage))
	data := random(9, window+cutterBuffer+overrun)
	places := make([]uint64, (cutterBuffer+overrun)/64+1)
	b.SetBytes(cutterBuffer)
	b.ReportAllocs()
	for b.Loop() {
		s.search(data, 0, cutterBuffer, places)
	}
}

func BenchmarkLibrary(b *testing.B) {
	p := testParams(DefaultAverage)
	data := random(9, 16<<20)
	buf := make([]byte, p.Max())
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		c := chunker.NewWithBoundaries(bytes.NewReader(data), chunker.Pol(p.Polynomial), uint(p.Min()), uint(p.Max()))
		c.SetAverageBits(p.bits())
		for {
			if _, err := c.Next(buf); err != nil {
				break
			}
		}
	}
}

// BenchmarkTake is what is left where all chunks are known, without comparing.
func BenchmarkTake(b *testing.B) {
	p := testParams(DefaultAverage)
	data := random(9, 16<<20)
	lengths := libraryLengths(b, p, data)
	c, _ := NewCutter(p)
	r := bytes.NewReader(data)
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		r.Reset(data)
		c.Reset(r)
		for _, n := range lengths {
			if c.Take(n, func([]byte) bool { return true }) == nil {
				b.Fatal("not taken")
			}
		}
	}
}
