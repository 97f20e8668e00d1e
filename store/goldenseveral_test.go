package store_test

import (
	"context"
	"fmt"
	"os"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// writeGoldenSeveral makes a small repository with a bundle of index files, and with a mark by which two captures
// were retired, of which one was taken back.
func writeGoldenSeveral(t *testing.T, dir string) {
	t.Helper()
	folder, key := newGolden(t, dir)
	defer folder.Close()
	made := crypt.SlotOptions{Label: "golden", Made: time.Now()}
	r, err := store.Create(t.Context(), folder, key, store.CreateOptions{ChunkAverage: 8 << 10, Slot: made})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.AddSlot(t.Context(), goldenSecret(t, dir, "passphrase"), made); err != nil {
		t.Fatal(err)
	}
	r.Close()
	// Bundles are put by machines that keep copies.
	cache := t.TempDir()
	if err := os.Chmod(cache, 0o700); err != nil {
		t.Fatal(err)
	}
	if r, err = store.Open(t.Context(), folder, key, store.OpenOptions{Cache: cache}); err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	volumes := goldenVolumes(t)
	for i := range volumes {
		volumes[i] = volumes[i][:3]
	}
	captureGolden(t, r, volumes)
	few := captureMany(t, r, 70)
	if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
		t.Fatal(err)
	}
	o := store.MarkOptions{Host: "hazel", Reason: "golden"}
	if err := r.Retire(t.Context(), few, o); err != nil {
		t.Fatal(err)
	}
	if err := r.Reinstate(t.Context(), few[:1], o); err != nil {
		t.Fatal(err)
	}
	wantBundle(t, folder)
	expectGolden(t, dir, r)
}

// captureMany makes n captures of one line, until a bundle is put, retires all but two of them, and gives these.
func captureMany(t *testing.T, r *store.Repository, n int) (ids []string) {
	t.Helper()
	for i := range n {
		c, err := r.Capture(t.Context(), store.CaptureOptions{
			Name: "herbarium", Host: "hazel", Taken: time.Date(2026, 3, 15, 2, i, 0, 0, time.UTC),
			Volumes: []store.VolumeInput{named("dump", []byte("-- sheets\n"))},
		})
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, c.ID)
	}
	if err := r.Retire(t.Context(), ids[2:], store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	return ids[:2]
}

// wantBundle makes sure that a bundle is there.
func wantBundle(t *testing.T, folder *storage.Folder) {
	t.Helper()
	if bundles, err := folder.List(context.Background(), "bundles"); err != nil || len(bundles) != 1 {
		t.Fatal(fmt.Errorf("%d bundles: %w", len(bundles), err))
	}
}
