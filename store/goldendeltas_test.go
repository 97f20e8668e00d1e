package store_test

import (
	"bytes"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

// writeGoldenDeltas makes a small repository in which frames stand on others, two deep, in their own slab and in others.
func writeGoldenDeltas(t *testing.T, dir string) {
	t.Helper()
	folder, key := newGolden(t, dir)
	defer folder.Close()
	made := crypt.SlotOptions{Label: "golden", Made: time.Now()}
	r, err := store.Create(t.Context(), folder, key, store.CreateOptions{ChunkAverage: 8 << 10, Slot: made, Deltas: store.DeltasOn, Host: "hazel"})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.AddSlot(t.Context(), goldenSecret(t, dir, "passphrase"), made); err != nil {
		t.Fatal(err)
	}
	content := bytes.Repeat(random(7, 7000), 3)
	for edit := range byte(3) {
		o := store.CaptureOptions{Name: "orchard", Taken: time.Date(2026, 3, 14, 1, int(edit), 0, 0, time.UTC), Volumes: []store.VolumeInput{
			named("data", tarOf(t, file{name: "log", content: content}, file{name: "tree", content: edited(content, 3000, 9)})),
		}}
		if _, err := r.Capture(t.Context(), o); err != nil {
			t.Fatal(err)
		}
		content = edited(content, 3000, edit+1)
	}
	captureGolden(t, r, goldenVolumes(t))
	if depth, _ := deepest(framesIn(t, folder, r)); depth != 2 {
		t.Fatalf("frames stand %d deep", depth)
	}
	expectGolden(t, dir, r)
}
