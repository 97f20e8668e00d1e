//go:build unix

package files

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestReadMine: in a folder of somebody else nothing is read but one's own file, and no more than its bound. It returns
// at all: a pipe is not waited for.
func TestReadMine(t *testing.T) {
	dir := t.TempDir()
	own := filepath.Join(dir, "own")
	if err := os.WriteFile(own, []byte("12345"), 0o600); err != nil {
		t.Fatal(err)
	}
	if b, err := ReadMine(own, 5); string(b) != "12345" || err != nil || CheckMine(own) != nil {
		t.Errorf("one's own: %q, %v, %v", b, err, CheckMine(own))
	}
	if _, err := ReadMine(own, 4); !errors.Is(err, ErrTooLong) {
		t.Errorf("a long one: %v", err)
	}
	if _, err := ReadMine(own+"none", 4); !errors.Is(err, fs.ErrNotExist) || CheckMine(own+"none") != nil {
		t.Errorf("none: %v", err)
	}
	for name, do := range map[string]func(path string) error{
		"link":    func(p string) error { return os.Symlink(own, p) },
		"endless": func(p string) error { return os.Symlink("/dev/zero", p) },
		"pipe":    func(p string) error { return unix.Mkfifo(p, 0o600) },
		"folder":  func(p string) error { return os.Mkdir(p, 0o700) },
		"theirs": func(p string) error {
			if os.Geteuid() != 0 {
				return os.Symlink(own, p) // only root can give one away
			}
			return errors.Join(os.WriteFile(p, nil, 0o644), os.Chown(p, 12345, 12345))
		},
		"second": func(p string) error { return errors.Join(os.WriteFile(p, nil, 0o600), os.Link(p, p+".too")) },
	} {
		path := filepath.Join(dir, name)
		if err := do(path); err != nil {
			t.Fatal(err)
		}
		if b, err := ReadMine(path, 1<<20); err == nil || len(b) > 0 || CheckMine(path) == nil {
			t.Errorf("%s: %d bytes were read, %v", name, len(b), err)
		}
	}
}
