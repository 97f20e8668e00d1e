package storage_test

import (
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/files"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestWatchedFolder: a folder whose calls are watched is one, and after each test no call is under way.
func TestWatchedFolder(t *testing.T) {
	storagetest.Run(t, func(t *testing.T) storage.Storage {
		w := new(files.Watch)
		f, err := storage.CreateFolderAt(w.Place(files.OS(filepath.Join(t.TempDir(), "repository"))), storagetest.Kinds()...)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			f.Close()
			if s := w.Silent(); s.For != 0 {
				t.Errorf("%s %s is under way yet", s.Op, s.Name)
			}
		})
		return f
	})
}

// TestEveryCallIsWatched: whatever a folder is asked for, the file system is asked between a begin and its end.
func TestEveryCallIsWatched(t *testing.T) {
	seen := make(map[string]bool)
	count := func(op, _ string) func() {
		seen[op] = true
		return func() {}
	}
	place := files.Around(files.OS(filepath.Join(t.TempDir(), "repository")), count)
	f, err := storage.CreateFolderAt(place, "slabs")
	if err != nil {
		t.Fatal(err)
	}
	ctx, name := t.Context(), "slabs/ab/x"
	if err := f.Put(ctx, name, strings.NewReader("seeds")); err != nil {
		t.Error(err)
	}
	if err := f.ReadAt(ctx, name, make([]byte, 5), 0); err != nil {
		t.Error(err)
	}
	if _, err := f.List(ctx, ""); err != nil {
		t.Error(err)
	}
	if _, err := f.Stat(ctx, name); err != nil {
		t.Error(err)
	}
	if err := f.Remove(ctx, name); err != nil {
		t.Error(err)
	}
	f.Close()
	for _, op := range []string{"make", "open", "create", "write", "sync", "close", "move into place", "read", "list", "stat", "remove"} {
		if !seen[op] {
			t.Errorf("no %s is seen", op)
		}
	}
}

// TestWatchedForsakes: what is watched says as well whether it gives up what was not flushed.
func TestWatchedForsakes(t *testing.T) {
	for _, forsakes := range []bool{false, true} {
		disk := newDisk(t)
		if forsakes {
			disk.Forsake()
		}
		s, err := files.Around(disk.Place(), func(string, string) func() { return func() {} }).Open()
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		if g, ok := s.(files.Forsaking); !ok || g.Forsakes() != forsakes {
			t.Errorf("it says %t", !forsakes)
		}
	}
}
