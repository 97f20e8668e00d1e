package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestOnShareStorage: what a mounted share promises to whoever keeps a repository in it.
func TestOnShareStorage(t *testing.T) {
	share := os.Getenv("KIST_TEST_SHARE")
	if share == "" || os.Getenv(shareKind) == "" {
		t.Skip("no share that was made for this: see TestShares")
	}
	storagetest.Run(t, func(t *testing.T) storage.Storage {
		dir, err := os.MkdirTemp(share, "storage-")
		if err != nil {
			t.Fatal(err)
		}
		f, err := storage.CreateFolder(filepath.Join(dir, "repository"), storagetest.Kinds()...)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := f.Close(); err != nil {
				t.Error(err)
			}
			if err := os.RemoveAll(dir); err != nil {
				t.Error(err)
			}
		})
		return f
	})
}
