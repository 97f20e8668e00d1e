package store_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestProveDraft: damage in what a draft takes over from an earlier capture shows before the capture is made.
func TestProveDraft(t *testing.T) {
	dir := sampleFolder(t)
	f := newFixture(t)
	f.harmed = true
	o := store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{{
		Name: "data", Source: dir, Folder: &store.FolderInput{Path: dir, Now: later},
	}}}
	if _, err := f.Capture(t.Context(), o); err != nil {
		t.Fatal(err)
	}
	draft, err := f.Draft(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.ProveDraft(t.Context(), draft, nil); err != nil {
		t.Fatalf("all is well: %v", err)
	}
	slab := ""
	for name, content := range objects(t, f.mem) {
		if !strings.HasPrefix(name, "slabs/") {
			continue
		}
		slab = name
		content = bytes.Clone(content)
		content[len(content)/3] ^= 1
		if err := errors.Join(f.mem.Remove(t.Context(), name), f.mem.Put(t.Context(), name, bytes.NewReader(content))); err != nil {
			t.Fatal(err)
		}
	}
	if slab == "" {
		t.Fatal("no slab")
	}
	if draft, err = f.Draft(t.Context(), o); err != nil {
		t.Fatalf("drafting reads no contents of earlier captures: %v", err)
	}
	err = f.ProveDraft(t.Context(), draft, nil)
	if !errors.Is(err, store.ErrDamaged) || len(store.DamagedObjects(err)) == 0 {
		t.Errorf("got %v, of %q", err, store.DamagedObjects(err))
	}
	if err := f.ProveDraft(t.Context(), nil, nil); !errors.Is(err, store.ErrForeign) {
		t.Errorf("no draft: %v", err)
	}
}

// TestReleaseFor ends the holds of one reason, and leaves those of others.
func TestReleaseFor(t *testing.T) {
	f := newFixture(t)
	c := f.capture(tarOf(t, file{name: "a", content: random(1, 3_000)}))
	ids := []string{c.ID}
	hold := func(reason string) {
		t.Helper()
		if err := f.Hold(t.Context(), ids, store.MarkOptions{Reason: reason}); err != nil {
			t.Fatal(err)
		}
	}
	marks := func() int { return len(under(t, f.mem, "holds")) }
	hold("an upgrade")
	hold("an upgrade")
	if marks() != 1 {
		t.Errorf("held for one reason by %d marks", marks())
	}
	hold("before the move")
	if err := f.ReleaseFor(t.Context(), ids, "an upgrade"); err != nil || !mustFind(f, c.ID).Held {
		t.Errorf("the hold of somebody else ended: %v", err)
	}
	if err := f.ReleaseFor(t.Context(), ids, "before the move"); err != nil || mustFind(f, c.ID).Held {
		t.Errorf("it is held yet: %v", err)
	}
}
