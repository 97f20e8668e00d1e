package main

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
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
			// A client may list what it knew for seconds (sshfs): then a folder is not empty yet, and goes with the share.
			if err := os.RemoveAll(dir); err != nil && !errors.Is(err, syscall.ENOTEMPTY) {
				t.Error(err)
			}
		})
		return f
	})
}
