package chunk

import (
	"bytes"
	"io"
	"testing"
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
				r.Reset(data)
				c.Reset(r)
				for {
					if _, err := c.Next(buf); err == io.EOF {
						break
					}
				}
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
