package store_test

import (
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

// writeGoldenParity makes a small repository with parity: of what was captured first it has none, and
// what came later has some.
func writeGoldenParity(t *testing.T, dir string) {
	t.Helper()
	folder, key := newGolden(t, dir)
	defer folder.Close()
	made := crypt.SlotOptions{Label: "golden", Made: time.Now()}
	r, err := store.Create(t.Context(), folder, key, store.CreateOptions{ChunkAverage: 8 << 10, Slot: made})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := captureWith(t.Context(), r, []byte("a capture without parity")); err != nil {
		t.Fatal(err)
	}
	for _, percent := range []int{9, 3} {
		if err := r.SetParity(t.Context(), percent, store.MarkOptions{Host: "hazel"}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := r.AddSlot(t.Context(), goldenSecret(t, dir, "passphrase"), made); err != nil {
		t.Fatal(err)
	}
	captureGolden(t, r, goldenVolumes(t))
	expectGolden(t, dir, r)
}
