package limit_test

import (
	"bytes"
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/limit"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

func TestStorage(t *testing.T) {
	storagetest.Run(t, func(t *testing.T) storage.Storage {
		s, err := limit.New(storage.NewMemory(), 1<<40)
		if err != nil {
			t.Fatal(err)
		}
		return s
	})
}

func TestRate(t *testing.T) {
	if _, err := limit.New(storage.NewMemory(), limit.MinRate-1); !errors.Is(err, limit.ErrRate) {
		t.Error(err)
	}
	synctest.Test(t, func(t *testing.T) {
		const rate, size = 1 << 20, 20 << 20
		s, err := limit.New(storage.NewMemory(), rate)
		if err != nil {
			t.Fatal(err)
		}
		took := func(do func() error) time.Duration {
			began := time.Now()
			if err := do(); err != nil {
				t.Fatal(err)
			}
			return time.Since(began)
		}
		content := make([]byte, size)
		// After a pause, half a second's worth comes at once: of 20 s, 19.5 are left.
		if d := took(func() error { return s.Put(t.Context(), "slabs/a", bytes.NewReader(content)) }); d < 19*time.Second || d > 20*time.Second {
			t.Errorf("putting 20 s' worth took %v", d)
		}
		if d := took(func() error { return s.ReadAt(t.Context(), "slabs/a", content, 0) }); d < 19*time.Second || d > 21*time.Second {
			t.Errorf("reading 20 s' worth took %v", d)
		}
		time.Sleep(time.Hour)
		if d := took(func() error { return s.ReadAt(t.Context(), "slabs/a", content[:2*rate], 0) }); d < time.Second || d > 2*time.Second {
			t.Errorf("reading 2 s' worth after an hour took %v: no more than a second's may come at once", d)
		}
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if err := s.Put(ctx, "slabs/b", bytes.NewReader(content)); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("put when its time was up: %v", err)
		}
	})
}

// watched is a storage that knows how much was read at a time, and what was told to it.
type watched struct {
	*storage.Memory
	most     int
	optional []string
}

func (w *watched) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	w.most = max(w.most, len(p))
	return w.Memory.ReadAt(ctx, name, p, off)
}

func (w *watched) SetOptional(folders ...string) { w.optional = folders }

// TestEachCallIsLimited: marks count, too; no call takes much at once; a time that is up is told as that, and when it is; what is
// inside learns what it is told.
func TestEachCallIsLimited(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const rate, most = 1 << 20, 750 * time.Millisecond
		inner := &watched{Memory: storage.NewMemory()}
		s, err := limit.New(inner, rate)
		if err != nil {
			t.Fatal(err)
		}
		content := make([]byte, 4*rate)
		began := time.Now()
		if err := s.Mark(t.Context(), "slabs/a", content); err != nil || time.Since(began) < 3*time.Second {
			t.Errorf("a mark of 4 s' worth took %v (%v)", time.Since(began), err)
		}
		if err := s.ReadAt(t.Context(), "slabs/a", content, 0); err != nil || inner.most > 64<<10 {
			t.Errorf("%d bytes were read at once (%v)", inner.most, err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), most)
		defer cancel()
		began = time.Now()
		if err := s.Mark(ctx, "slabs/b", content); !errors.Is(err, context.DeadlineExceeded) || time.Since(began) != most {
			t.Errorf("after %v: %v", time.Since(began), err)
		}
		if s.SetOptional("spare"); len(inner.optional) != 1 {
			t.Errorf("%q", inner.optional)
		}
	})
}
