//go:build unix

package cache

import (
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage"
)

// odd puts something that is no regular file in the place of a copy.
var odd = map[string]func(t *testing.T, path string){
	"a pipe": func(t *testing.T, path string) {
		if err := syscall.Mkfifo(path, 0o600); err != nil {
			t.Fatal(err)
		}
	},
	"a socket": func(t *testing.T, path string) {
		l, err := net.Listen("unix", path)
		if err != nil {
			t.Skip(err) // paths of sockets are short on some systems
		}
		t.Cleanup(func() { l.Close() })
	},
	"a folder": func(t *testing.T, path string) {
		if err := os.Mkdir(path, 0o700); err != nil {
			t.Fatal(err)
		}
	},
	"a link to a copy": func(t *testing.T, path string) {
		if err := os.Symlink("other", path); err != nil {
			t.Fatal(err)
		}
	},
	"a link to a pipe": func(t *testing.T, path string) {
		if err := syscall.Mkfifo(filepath.Join(filepath.Dir(path), "pipe"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink("pipe", path); err != nil {
			t.Fatal(err)
		}
	},
	"a device": func(t *testing.T, path string) {
		if err := syscall.Mknod(path, syscall.S_IFCHR|0o600, 1<<8|5); err != nil { // /dev/zero (Linux, devices.txt)
			t.Skip(err)
		}
	},
	"another's file": func(t *testing.T, path string) {
		if err := os.WriteFile(path, []byte("bean"), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Chown(path, 12345, 12345); err != nil {
			t.Skip(err)
		}
	},
}

// finishes fails a test that hangs, instead of all of them.
func finishes(t *testing.T, do func()) {
	t.Helper()
	done := make(chan struct{})
	go func() {
		defer close(done)
		do()
	}()
	select {
	case <-done:
	case <-time.After(20 * time.Second):
		t.Fatal("it hangs")
	}
}

// TestOddCopies: what is no regular file of ours is no copy, is never waited for, and
// gives way to one where it can.
func TestOddCopies(t *testing.T) {
	for what, put := range odd {
		for _, size := range []int64{4, 0, -1} {
			t.Run(fmt.Sprintf("%s, size %d", what, size), func(t *testing.T) {
				dir := t.TempDir()
				f := open(t, dir, 0)
				f.Add("tables/other", []byte("bean"))
				put(t, filepath.Join(dir, "tables", "x"))
				finishes(t, func() { testOdd(t, f, size) })
			})
		}
	}
}

func testOdd(t *testing.T, f *Folder, size int64) {
	if file := f.Reader("tables/x", size); file != nil {
		file.Close()
		t.Error("it is read")
	}
	f.scan()
	f.Retain("tables", []storage.Info{{Name: "tables/x"}})
	f.Add("tables/x", []byte("vetch"))
	if got := read(t, f, "tables/x", 5); got != "vetch" {
		t.Errorf("then a copy gives %q", got)
	}
	if got := read(t, f, "tables/other", 4); got != "bean" {
		t.Errorf("another copy gives %q", got)
	}
}

// TestOddFolders: the same for a folder of copies.
func TestOddFolders(t *testing.T) {
	for what, put := range odd {
		if what == "a folder" || what == "another's file" {
			continue
		}
		t.Run(what, func(t *testing.T) {
			dir := t.TempDir()
			f := open(t, dir, 0)
			put(t, filepath.Join(dir, "tables"))
			finishes(t, func() {
				if file := f.Reader("tables/x", -1); file != nil {
					file.Close()
					t.Error("it is read")
				}
				f.Retain("tables", nil)
				f.scan()
				f.Add("tables/x", []byte("vetch"))
			})
		})
	}
}

// TestSharedFolder: a folder that others can write is no cache.
func TestSharedFolder(t *testing.T) {
	for _, c := range []struct {
		base, own os.FileMode
		shared    bool
	}{
		{0o700, 0o700, false}, {0o755, 0o755, false}, {0o770, 0o700, true}, {0o707, 0o700, true}, {0o777, 0o700, true}, {0o777 | os.ModeSticky, 0o700, true},
		{0o700, 0o770, true}, {0o700, 0o702, true},
	} {
		base := filepath.Join(t.TempDir(), "cache")
		path := filepath.Join(base, "id")
		for _, err := range []error{os.MkdirAll(path, 0o700), os.Chmod(path, c.own), os.Chmod(base, c.base)} {
			if err != nil {
				t.Fatal(err)
			}
		}
		f, err := Open(path, 0)
		if errors.Is(err, ErrShared) != c.shared || !c.shared && err != nil {
			t.Errorf("%v and %v: %v", c.base, c.own, err)
		}
		f.Close()
		if err := Check(base); errors.Is(err, ErrShared) != (c.base.Perm()&0o022 != 0) {
			t.Errorf("%v: %v", c.base, err)
		}
	}
	if err := Check(filepath.Join(t.TempDir(), "missing")); err != nil {
		t.Errorf("a missing folder: %v", err)
	}
	base := t.TempDir()
	if err := os.Chown(base, 12345, 12345); err != nil {
		t.Skip(err)
	}
	if err := Check(base); !errors.Is(err, ErrShared) {
		t.Errorf("another's folder: %v", err)
	}
	if f, err := Open(filepath.Join(base, "id"), 0); !errors.Is(err, ErrShared) {
		f.Close()
		t.Errorf("in another's folder: %v", err)
	}
}
