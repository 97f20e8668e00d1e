package store

import (
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// FramesOf gives the frames of a slab, by its name.
func FramesOf(t testing.TB, r *Repository, name string) []format.Frame {
	t.Helper()
	id, err := names.ParseSlab(name)
	if err != nil {
		t.Fatal(err)
	}
	slab, err := r.slabs.Open(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	return slab.Frames
}

// HashOf gives the hash of a capture.
func HashOf(c *Capture) string { return c.captured.Hash().String() }

// NeedsBases tells whether a capture says that it needs what slabs stand on.
func NeedsBases(c *Capture) bool { return c.captured.Deltas }
