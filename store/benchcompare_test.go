package store_test

import (
	"archive/tar"
	"context"
	"fmt"
	"io"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// lotsOfMembers is a tar stream of so many small members, of which each thousandth is of a
// generation of its own.
func lotsOfMembers(count, generation int) io.ReadCloser {
	out, in := io.Pipe()
	go func() {
		w := tar.NewWriter(in)
		for n := range count {
			of := 0
			if n%1000 == 0 {
				of = generation
			}
			content := fmt.Appendf(nil, "lot %07d, of %d\n", n, of)
			at := time.Date(2026, time.March, 14, of, 3, n%60, n, time.UTC)
			if w.WriteHeader(&tar.Header{Name: fmt.Sprintf("./beds/%03d/lot-%07d.txt", n/500, n), Mode: 0o640, Size: int64(len(content)), ModTime: at, Format: tar.FormatPAX}) != nil {
				return
			}
			w.Write(content)
		}
		in.CloseWithError(w.Close())
	}()
	return out
}

func benchLots(b *testing.B, r *store.Repository, count, generation int) *store.Capture {
	b.Helper()
	c, err := r.Capture(b.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{{Open: func(context.Context) (io.ReadCloser, error) {
		return lotsOfMembers(count, generation), nil
	}}}})
	if err != nil {
		b.Fatal(err)
	}
	return c
}

// BenchmarkCompare compares captures of 100,000 members, of which 100 changed.
func BenchmarkCompare(b *testing.B) {
	r := benchRepository(b)
	defer r.Close()
	was, is := benchLots(b, r, 100_000, 1), benchLots(b, r, 100_000, 2)
	for b.Loop() {
		n := 0
		for _, err := range r.Compare(b.Context(), was, is, store.CompareOptions{}) {
			if err != nil {
				b.Fatal(err)
			}
			n++
		}
		if n != 100 {
			b.Fatalf("%d differ", n)
		}
	}
}
