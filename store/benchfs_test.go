package store_test

import (
	"archive/tar"
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// BenchmarkFS opens the file system of a capture of 1.1 million members (with -short 50,000), reads its root, a
// part of a large folder, and single members, each time in a repository that was opened anew with a warm cache of
// small objects. It reports what the order takes, and what the same capture adds again.
func BenchmarkFS(b *testing.B) {
	n := 1_100_000
	if testing.Short() {
		n = 50_000
	}
	for _, mixed := range []bool{false, true} {
		name := "sorted"
		if mixed {
			name = "mixed"
		}
		b.Run(name, func(b *testing.B) { benchFS(b, n, mixed) })
	}
}

func benchFS(b *testing.B, n int, mixed bool) {
	folder, err := storage.CreateFolder(filepath.Join(b.TempDir(), "repository"), store.Folders()...)
	if err != nil {
		b.Fatal(err)
	}
	defer folder.Close()
	key, cache := crypt.NewKeyFile(), b.TempDir()
	r, err := store.Create(b.Context(), folder, key, store.CreateOptions{Slot: crypt.SlotOptions{}})
	if err != nil {
		b.Fatal(err)
	}
	r.Close()
	open := func() (*store.Repository, *store.VolumeFS) {
		r, err := store.Open(b.Context(), folder, key, store.OpenOptions{Cache: cache})
		if err != nil {
			b.Fatal(err)
		}
		c, err := r.Find(b.Context(), "latest")
		if err != nil {
			b.Fatal(err)
		}
		fsys, err := r.FS(b.Context(), &c.Volumes[0])
		if err != nil {
			b.Fatal(err)
		}
		return r, fsys
	}
	var again *store.Capture
	for range 2 {
		r, err := store.Open(b.Context(), folder, key, store.OpenOptions{Cache: cache})
		if err != nil {
			b.Fatal(err)
		}
		again, err = r.Capture(b.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{{Name: "data", Open: millionMembers(n, mixed)}}})
		if err != nil {
			b.Fatal(err)
		}
		r.Close()
	}
	if !store.HasOrder(&again.Volumes[0]) {
		b.Fatal("there is no order")
	}
	b.Run("root", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			r, err := store.Open(b.Context(), folder, key, store.OpenOptions{Cache: cache})
			if err != nil {
				b.Fatal(err)
			}
			b.StartTimer()
			c, err := r.Find(b.Context(), "latest")
			if err != nil {
				b.Fatal(err)
			}
			fsys, err := r.FS(b.Context(), &c.Volumes[0])
			if err != nil {
				b.Fatal(err)
			}
			if entries, err := fsys.ReadDirBehind(".", "", 1000); err != nil || len(entries) == 0 {
				b.Fatal(len(entries), err)
			}
			b.StopTimer()
			r.Close()
			b.StartTimer()
		}
		b.ReportMetric(float64(store.OrderOf(&again.Volumes[0]).Bytes)/float64(n), "order-bytes/member")
		b.ReportMetric(float64(again.Added), "added-again-bytes")
	})
	r, fsys := open()
	defer r.Close()
	rng := rand.New(rand.NewPCG(1, 2))
	b.Run("Stat", func(b *testing.B) {
		for b.Loop() {
			i := rng.IntN(n)
			if _, err := fsys.Stat(manyPath(i)); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("1000 of a folder", func(b *testing.B) {
		for b.Loop() {
			entries, err := fsys.ReadDirBehind(fmt.Sprintf("beds/%05d", rng.IntN(n/10_000)), "plant-3", 1000)
			if err != nil || len(entries) != 1000 {
				b.Fatal(len(entries), err)
			}
		}
	})
}

// manyPath gives the path of a member: 10,000 in a folder.
func manyPath(i int) string { return fmt.Sprintf("beds/%05d/plant-%04d", i/10_000, i%10_000) }

// millionMembers gives a stream of so many empty files, in the order of paths or mixed within their folders.
func millionMembers(n int, mixed bool) func(context.Context) (io.ReadCloser, error) {
	return func(context.Context) (io.ReadCloser, error) {
		out, in := io.Pipe()
		go func() {
			buffered := bufio.NewWriterSize(in, 1<<20)
			w := tar.NewWriter(buffered)
			for i := range n {
				k := i
				if mixed {
					k = i/10_000*10_000 + i%10_000*7919%10_000
				}
				if k >= n {
					k = i
				}
				h := &tar.Header{Name: manyPath(k), Mode: 0o644, ModTime: time.Unix(1_700_000_000+int64(k), 0), Format: tar.FormatPAX}
				if err := w.WriteHeader(h); err != nil {
					in.CloseWithError(err)
					return
				}
			}
			if err := w.Close(); err != nil {
				in.CloseWithError(err)
				return
			}
			in.CloseWithError(buffered.Flush())
		}()
		return out, nil
	}
}
