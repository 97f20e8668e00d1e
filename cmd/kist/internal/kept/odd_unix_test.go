//go:build unix

package kept

import (
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestOddBook: a book that is a pipe, a link or another user's is refused, and is not waited for.
func TestOddBook(t *testing.T) {
	for name, put := range map[string]func(path string) error{
		"a pipe":   func(path string) error { return unix.Mkfifo(path, 0o600) },
		"a link":   func(path string) error { return os.Symlink("/etc/passwd", path) },
		"a folder": func(path string) error { return os.Mkdir(path, 0o700) },
		"one that others may write": func(path string) error {
			if err := os.WriteFile(path, nil, 0o600); err != nil {
				return err
			}
			return os.Chmod(path, 0o622)
		},
		"another user's": func(path string) error {
			if os.Geteuid() != 0 {
				t.Skip("needs root")
			}
			if err := os.WriteFile(path, nil, 0o600); err != nil {
				return err
			}
			return os.Chown(path, 12345, 12345)
		},
	} {
		t.Run(name, func(t *testing.T) {
			b := Book{Folder: filepath.Join(t.TempDir(), "kist")}
			if err := os.Mkdir(b.Folder, 0o700); err != nil {
				t.Fatal(err)
			}
			if err := put(b.path()); err != nil {
				t.Fatal(err)
			}
			if _, err := b.Find(); err == nil {
				t.Error("it was read")
			}
			if err := b.Note("/srv/seedbank"); err == nil {
				t.Error("it was written")
			}
		})
	}
}
