package store_test

import (
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// BenchmarkRestoreMembers restores some of 2,048 files of 64 KiB. What holding their chunks
// against what was captured costs shows beside BenchmarkRestore, which hashes the stream.
func BenchmarkRestoreMembers(b *testing.B) {
	in := benchStream(b, 128<<20)
	mem, key := storage.NewMemory(), crypt.NewKeyFile()
	r, err := store.Create(b.Context(), mem, key, store.CreateOptions{})
	if err != nil {
		b.Fatal(err)
	}
	c := benchCapture(b, r, in)
	r.Close()
	for name, match := range map[string]func(string) bool{
		"one":  func(path string) bool { return path == "lots/0" },
		"tens": func(path string) bool { return strings.HasSuffix(path, "76") },
		"all":  func(string) bool { return true },
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				r, err := store.Open(b.Context(), mem, key, store.OpenOptions{})
				if err != nil {
					b.Fatal(err)
				}
				found, err := r.Find(b.Context(), c.ID)
				if err != nil {
					b.Fatal(err)
				}
				n, err := r.RestoreMembers(b.Context(), &found.Volumes[0], match, io.Discard, store.RestoreOptions{})
				if err != nil {
					b.Fatal(fmt.Errorf("%d members: %w", n, err))
				}
				r.Close()
			}
		})
	}
}
