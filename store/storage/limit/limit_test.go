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
