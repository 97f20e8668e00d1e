package store_test

import (
	"fmt"
	"io"
	"runtime"
	"testing"
)

// BenchmarkOpenedMember opens and reads one of 20,000 members of 1,000 bytes: by OpenMember,
// which reads the list each time, and by a listing that is open. It reports what the listing takes of memory.
func BenchmarkOpenedMember(b *testing.B) {
	var files []file
	for i := range 20_000 {
		files = append(files, file{name: fmt.Sprintf("shelf/%03d/lot-%05d", i/100, i), content: fmt.Appendf(nil, "lot %d: %0980d", i, i)})
	}
	r := benchRepository(b)
	defer r.Close()
	v := &benchCapture(b, r, tarOf(b, files...)).Volumes[0]
	b.Run("OpenMember", func(b *testing.B) {
		for b.Loop() {
			_, content, err := r.OpenMember(b.Context(), v, "shelf/123/lot-12345")
			if err != nil {
				b.Fatal(err)
			}
			if _, err := io.Copy(io.Discard, content); err != nil {
				b.Fatal(err)
			}
			content.Close()
		}
	})
	heap := func() uint64 {
		var m runtime.MemStats
		runtime.GC()
		runtime.GC()
		runtime.ReadMemStats(&m)
		return m.HeapAlloc
	}
	before := heap()
	l, err := r.OpenVolume(b.Context(), v)
	if err != nil {
		b.Fatal(err)
	}
	per := float64(int64(heap())-int64(before)) / float64(l.Len())
	b.Run("opened", func(b *testing.B) {
		for n := 0; b.Loop(); n++ {
			content, err := l.Open(b.Context(), files[n*7919%len(files)].name)
			if err != nil {
				b.Fatal(err)
			}
			if _, err := io.Copy(io.Discard, content); err != nil {
				b.Fatal(err)
			}
			content.Close()
		}
		b.ReportMetric(per, "bytes/member")
	})
	b.Run("OpenVolume", func(b *testing.B) {
		for b.Loop() {
			if _, err := r.OpenVolume(b.Context(), v); err != nil {
				b.Fatal(err)
			}
		}
	})
}
