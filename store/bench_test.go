package store_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// benchStream is a tar stream of records that a compressor shortens about
// threefold, in files of 64 KiB.
func benchStream(b *testing.B, size int) []byte {
	b.Helper()
	var files []file
	noise := random(1, size/24)
	for at := 0; at < size; at += 64 << 10 {
		var content bytes.Buffer
		for i := 0; content.Len() < 64<<10; i++ {
			fmt.Fprintf(&content, "lot %08d shelf %03d %x\n", at+i, i%300, noise[(at/32+i*4)%(len(noise)-8):][:8])
		}
		files = append(files, file{name: fmt.Sprintf("lots/%d", at), content: content.Bytes()})
	}
	return tarOf(b, files...)
}

func benchRepository(b *testing.B) *store.Repository {
	b.Helper()
	r, err := store.Create(b.Context(), storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		b.Fatal(err)
	}
	return r
}

func benchCapture(b *testing.B, r *store.Repository, in []byte) *store.Capture {
	b.Helper()
	c, err := r.Capture(b.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{{Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(in)), nil
	}}}})
	if err != nil {
		b.Fatal(err)
	}
	return c
}

func BenchmarkCaptureFirst(b *testing.B) {
	in := benchStream(b, 128<<20)
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		r := benchRepository(b)
		benchCapture(b, r, in)
		r.Close()
	}
}

func BenchmarkCaptureUnchanged(b *testing.B) {
	in := benchStream(b, 128<<20)
	r := benchRepository(b)
	defer r.Close()
	benchCapture(b, r, in)
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		benchCapture(b, r, in)
	}
}

// BenchmarkCaptureRewritten captures streams of many small contents of one length, of
// which each differs from those before: where what is expected next never comes.
func BenchmarkCaptureRewritten(b *testing.B) {
	const count, length = 40_000, 300
	r := benchRepository(b)
	defer r.Close()
	stream := func(seed byte) []byte {
		noise := random(seed, count*length)
		files := make([]file, count)
		for i := range files {
			files[i] = file{name: fmt.Sprintf("lots/%d", i), content: noise[i*length:][:length]}
		}
		return tarOf(b, files...)
	}
	benchCapture(b, r, stream(0))
	b.SetBytes(int64(len(stream(0))))
	for seed := byte(1); b.Loop(); seed++ {
		b.StopTimer()
		in := stream(seed)
		b.StartTimer()
		benchCapture(b, r, in)
	}
}

func BenchmarkRestore(b *testing.B) {
	in := benchStream(b, 128<<20)
	r := benchRepository(b)
	defer r.Close()
	c := benchCapture(b, r, in)
	b.SetBytes(int64(len(in)))
	b.ReportAllocs()
	for b.Loop() {
		if err := r.Restore(b.Context(), &c.Volumes[0], io.Discard, store.RestoreOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFolderUnchanged(b *testing.B) {
	dir := b.TempDir()
	for i := range 20_000 {
		folder := fmt.Sprintf("%s/%d", dir, i/100)
		if i%100 == 0 {
			if err := os.Mkdir(folder, 0o755); err != nil {
				b.Fatal(err)
			}
		}
		if err := os.WriteFile(fmt.Sprintf("%s/%d", folder, i), random(byte(i), 200), 0o644); err != nil {
			b.Fatal(err)
		}
	}
	r := benchRepository(b)
	defer r.Close()
	o := store.CaptureOptions{Volumes: []store.VolumeInput{{Source: dir, Folder: &store.FolderInput{Path: dir}}}}
	if _, err := r.Capture(b.Context(), o); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := r.Capture(b.Context(), o); err != nil {
			b.Fatal(err)
		}
	}
}
