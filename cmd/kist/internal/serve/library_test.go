package serve

import (
	"context"
	"errors"
	"io/fs"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestDamagedCapture: a capture whose index file can't be read is damaged, and not unknown.
func TestDamagedCapture(t *testing.T) {
	damage := &store.DamagedError{Captures: []string{"20260314t0203z-k7f3"}}
	l := &library{listed: &listing{Listing: &store.Listing{Damage: damage}}, at: time.Now()}
	for id, want := range map[string]error{"20260314t0203z-k7f3": damage, "20260314t0203z-none": store.ErrNotFound} {
		if _, err := l.capture(t.Context(), id); !errors.Is(err, want) {
			t.Errorf("%s: %v, not %v", id, err, want)
		}
	}
}

// TestOpenOutlivesRequest: a volume that one request opened is there for the next one, when the first has ended.
func TestOpenOutlivesRequest(t *testing.T) {
	w := newWorld(t)
	ctx, end := context.WithCancel(t.Context())
	files, err := w.server.library.open(ctx, w.is.ID, w.is.Volumes[0].Name)
	if err != nil {
		t.Fatal(err)
	}
	end()
	if b, err := fs.ReadFile(files, "large.bin"); err != nil || string(b) != w.contents["large.bin"] {
		t.Errorf("%d bytes, %v", len(b), err)
	}
}
