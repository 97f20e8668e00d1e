package spool

import (
	"bytes"
	"errors"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// TestBounded: no more is put than is allowed, and what is too much is not there; marks always are.
func TestBounded(t *testing.T) {
	folder, err := storage.CreateFolder(t.TempDir()+"/captures", store.Folders()...)
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	b := &Bounded{Folder: folder}
	put := func(name string, n int) error {
		return b.Put(t.Context(), name, bytes.NewReader(make([]byte, n)))
	}
	for i, step := range []struct {
		allow int64 // -2: as it is
		n     int
		want  error
	}{{-2, 100, nil}, {100, 60, nil}, {-2, 40, nil}, {-2, 1, ErrLimit}, {-2, 0, ErrLimit}, {0, 0, nil}, {0, 1, ErrLimit}, {-1, 1000, nil}} {
		if step.allow != -2 {
			b.Allow(step.allow)
		}
		name := "slabs/" + string(rune('a'+i))
		if err := put(name, step.n); !errors.Is(err, step.want) {
			t.Errorf("step %d: %v", i, err)
		}
		if _, err := b.Stat(t.Context(), name); (err == nil) != (step.want == nil) {
			t.Errorf("step %d: %v", i, err)
		}
	}
	b.Allow(0)
	if err := b.Mark(t.Context(), "leases/mark", []byte("mark")); err != nil {
		t.Error(err)
	}
}
