package store_test

import (
	"bytes"
	"context"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// slow is a storage that takes a second, by the clock of a bubble, for each read of a slab, and counts how many are under way at once.
type slow struct {
	*storage.Memory
	mu          sync.Mutex
	under, most int
}

func (s *slow) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	if strings.HasPrefix(name, names.Slabs) {
		s.count(1)
		defer s.count(-1)
		time.Sleep(time.Second)
	}
	return s.Memory.ReadAt(ctx, name, p, off)
}

func (s *slow) count(by int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.under += by
	s.most = max(s.most, s.under)
}

// TestMovesLittleAhead: frames of 4 MiB, as the longest chunks make them, are read ahead four at a time to be moved, and not 16, as those
// of a MiB.
func TestMovesLittleAhead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixtureOf(t, store.CreateOptions{ChunkAverage: 1 << 20})
		const blocks, length = 9, 4 << 20
		var content []byte
		for i := range byte(blocks) { // within what is all the same no chunk ends before it is as long as may be
			content = append(content, bytes.Repeat([]byte{i + 1}, length)...)
		}
		content = append(content, random(1, 1<<20)...) // what a slab ends with is read with its table
		old := f.capture(content)
		f.capture(content[length:])
		f.retire(old)
		s := &slow{Memory: f.mem}
		r, err := store.Open(t.Context(), s, f.key, store.OpenOptions{})
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		out, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1e-6})
		if err != nil || out.Moved == 0 || s.most < 2 || s.most > 5 {
			t.Errorf("%+v, %v: %d frames are read at once, want 4", out, err, s.most)
		}
		f.harmed = true // not: what was moved others verify, of contents that take less time
		f.Close()
	})
}
