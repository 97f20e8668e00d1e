package store_test

import (
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestSecondReaderOfChains has the second reader check the chains of two machines, before
// and after captures are reclaimed and their neighbours moved, and the hashes that marks
// give.
func TestSecondReaderOfChains(t *testing.T) {
	f := newFixture(t)
	first, second := t.TempDir(), t.TempDir()
	var ids []string
	for i := range 6 {
		r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{State: []string{first, second}[i%2]})
		if err != nil {
			t.Fatal(err)
		}
		c, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(random(1, 300_000)[i*30_000:])}})
		if err != nil {
			t.Fatal(err)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
		ids = append(ids, c.ID)
	}
	check := func(want int) {
		t.Helper()
		links, err := secondOf(t, f).checkChains()
		if err != nil || links != want {
			t.Errorf("%d captures name one before, want %d: %v", links, want, err)
		}
	}
	check(4)
	if err := f.Retire(t.Context(), ids[:2], store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01}); err != nil {
		t.Fatal(err)
	}
	gone, err := secondOf(t, f).gone()
	if err != nil || len(gone) != 2 || len(gone[ids[0]]) != 1 || len(gone[ids[0]][0]) != 32 {
		t.Errorf("gone: %x, %v", gone, err)
	}
	moved, err := secondOf(t, f).list("captures")
	if err != nil || len(moved) != 4 || !strings.HasSuffix(moved[0], ".1") {
		t.Errorf("index files: %q, %v: if nothing was moved, this tests little", moved, err)
	}
	check(4)
}
