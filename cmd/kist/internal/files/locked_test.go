//go:build unix

package files

import (
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestOpenLocked opens what only this user or root can have written, and once at a time.
func TestOpenLocked(t *testing.T) {
	path := filepath.Join(t.TempDir(), "note")
	if f, err := OpenLocked(path, os.O_RDONLY); f != nil || err != nil {
		t.Errorf("what is missing: %v, %v", f, err)
	}
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	f, err := OpenLocked(path, os.O_RDONLY)
	if f == nil || err != nil {
		t.Fatalf("one's own: %v, %v", f, err)
	}
	if second, err := OpenLocked(path, os.O_RDONLY); second != nil || err != nil {
		t.Errorf("what another has: %v, %v", second, err)
	}
	f.Close()
	for name, change := range map[string]func() error{
		"the group may write it": func() error { return os.Chmod(path, 0o620) },
		"all may write it":       func() error { return os.Chmod(path, 0o602) },
		"a link": func() error {
			return os.Symlink(path, path+".link")
		},
		"a pipe": func() error { return unix.Mkfifo(path+".pipe", 0o600) },
		"another's": func() error {
			if os.Geteuid() != 0 {
				t.Skip("needs root")
			}
			return os.Lchown(path, 12345, 12345)
		},
	} {
		t.Run(name, func(t *testing.T) {
			if err := change(); err != nil {
				t.Fatal(err)
			}
			at := path
			switch name {
			case "a link":
				at += ".link"
			case "a pipe":
				at += ".pipe"
			}
			if f, err := OpenLocked(at, os.O_RDONLY); f != nil || err == nil {
				t.Errorf("opened: %v, %v", f, err)
			}
			os.Chmod(path, 0o600)
			os.Lchown(path, os.Geteuid(), -1)
		})
	}
}
