package storage_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

func TestMemory(t *testing.T) {
	storagetest.Run(t, func(*testing.T) storage.Storage { return storage.NewMemory() })
}

func TestFolder(t *testing.T) {
	storagetest.Run(t, func(t *testing.T) storage.Storage { return newFolder(t, t.TempDir()) })
}

func TestDisk(t *testing.T) {
	storagetest.Run(t, func(t *testing.T) storage.Storage {
		f, err := storagetest.NewDisk(0).Create(storagetest.Kinds()...)
		if err != nil {
			t.Fatal(err)
		}
		return f
	})
}

// The wrapper, as long as it injects nothing, passes for a storage itself.
func TestFaulty(t *testing.T) {
	storagetest.Run(t, func(*testing.T) storage.Storage { return storagetest.NewFaulty(storage.NewMemory()) })
}

// TestShare runs on a mounted share: KIST_TEST_SHARE is its path.
func TestShare(t *testing.T) {
	share := os.Getenv("KIST_TEST_SHARE")
	if share == "" {
		t.Skip("KIST_TEST_SHARE is not set")
	}
	storagetest.Run(t, func(t *testing.T) storage.Storage { return newFolder(t, tempDir(t, share)) })
}

// tempDir makes a folder somewhere, for one test.
func tempDir(t *testing.T, in string) string {
	t.Helper()
	dir, err := os.MkdirTemp(in, "kist-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// newFolder makes a storage below a folder, and tests when all is over that no file
// was left aside.
func newFolder(t *testing.T, in string) *storage.Folder {
	t.Helper()
	f, err := storage.CreateFolder(filepath.Join(in, "repository"), storagetest.Kinds()...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if aside, err := f.Aside(context.Background()); err != nil || len(aside) > 0 {
			t.Errorf("left aside: %v, %v", aside, err)
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	})
	return f
}

func put(t *testing.T, s storage.Storage, name string, content io.Reader) {
	t.Helper()
	if err := s.Put(t.Context(), name, content); err != nil {
		t.Fatal(err)
	}
}

func wantContent(t *testing.T, s storage.Storage, name, want string) {
	t.Helper()
	got := make([]byte, len(want))
	if err := s.ReadAt(t.Context(), name, got, 0); err != nil || !bytes.Equal(got, []byte(want)) {
		t.Errorf("%s: %q, %v; want %q", name, got, err, want)
	}
}

func wantFailure(t *testing.T, got, want error, parts ...string) {
	t.Helper()
	if !errors.Is(got, want) {
		t.Errorf("got %v, want %v", got, want)
		return
	}
	for _, part := range parts {
		if !strings.Contains(got.Error(), part) {
			t.Errorf("%q does not say %q", got, part)
		}
	}
}
