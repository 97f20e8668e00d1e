package store_test

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// TestCacheOfAnotherPast: after a repository was put back to an earlier state, a name may come to stand for another object. A copy
// of what it stood for before is not taken for that.
func TestCacheOfAnotherPast(t *testing.T) {
	dir, before, key := filepath.Join(t.TempDir(), "repo"), filepath.Join(t.TempDir(), "before"), crypt.NewKeyFile()
	caches := [2]string{t.TempDir(), t.TempDir()}
	open := func(machine int) *store.Repository {
		folder, err := storage.OpenFolder(dir)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { folder.Close() })
		r, err := store.Open(t.Context(), folder, key, store.OpenOptions{Cache: caches[machine]})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { r.Close() })
		return r
	}
	amend := func(machine int, note string) {
		r := open(machine)
		all, err := r.Captures(t.Context())
		if err != nil || len(all) != 1 {
			t.Fatal(len(all), err)
		}
		if _, err := r.Amend(t.Context(), all[0].ID, store.AmendOptions{Note: &note}); err != nil {
			t.Fatal(err)
		}
	}
	note := func(machine int) string {
		all, err := open(machine).Captures(t.Context())
		if err != nil || len(all) != 1 {
			t.Fatal(len(all), err)
		}
		return all[0].Note
	}
	folder, err := storage.CreateFolder(dir, store.Folders()...)
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	r, err := store.Create(t.Context(), folder, key, store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(random(1, 5000))}}); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(before, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	amend(0, "before")
	if got := note(0); got != "before" {
		t.Fatal(got)
	}
	if err := os.RemoveAll(dir); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(dir, os.DirFS(before)); err != nil {
		t.Fatal(err)
	}
	amend(1, "behind")
	for machine := range caches {
		if got := note(machine); got != "behind" {
			t.Errorf("machine %d reads %q", machine, got)
		}
	}
}
