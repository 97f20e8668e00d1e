//go:build unix

package files

import (
	"errors"
	"io"
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

// TestWriteOverAnothers: a file that another user made for many to read and write does not get what is this user's.
func TestWriteOverAnothers(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("only root can give a file away")
	}
	for mode, refused := range map[fs.FileMode]bool{0o666: true, 0o640: true, 0o600: false} {
		path := filepath.Join(t.TempDir(), "usage.html")
		if err := errors.Join(os.WriteFile(path, []byte("theirs"), 0o600), os.Chmod(path, mode), os.Chown(path, 1234, 1234)); err != nil {
			t.Fatal(err)
		}
		err := Write(path, true, func(w io.Writer) error { _, err := io.WriteString(w, "ours"); return err })
		b, readErr := os.ReadFile(path)
		info, statErr := os.Stat(path)
		if err := errors.Join(readErr, statErr); err != nil {
			t.Fatal(err)
		}
		if want := map[bool]string{true: "theirs", false: "ours"}[refused]; (err != nil) != refused || string(b) != want {
			t.Errorf("mode %v: %v, and it has %q", mode, err, b)
		}
		if !refused && (info.Mode() != 0o600 || isOthers(info)) {
			t.Errorf("mode %v: it is another's still, with mode %v", mode, info.Mode())
		}
	}
}
