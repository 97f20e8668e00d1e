//go:build unix

package remember

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestOddFiles has what somebody else, or an accident, put in the place of the folder and the file: neither is
// used, and nothing is waited for.
func TestOddFiles(t *testing.T) {
	for name, c := range map[string]struct {
		make func(dir string) error
		root bool
	}{
		"a pipe as the file":       {func(dir string) error { return unix.Mkfifo(file(dir), 0o600) }, false},
		"a folder of another user": {func(dir string) error { return os.Chown(dir, 4711, 0) }, true},
		"a file of another user": {func(dir string) error {
			return errors.Join(os.WriteFile(file(dir), nil, 0o600), os.Chown(file(dir), 4711, 0))
		}, true},
		"a link to a file of ours": {func(dir string) error {
			return errors.Join(os.WriteFile(dir+"/own", nil, 0o600), os.Symlink("own", file(dir)))
		}, false},
	} {
		t.Run(name, func(t *testing.T) {
			if c.root && os.Geteuid() != 0 {
				t.Skip("needs root")
			}
			dir := filepath.Join(t.TempDir(), "kist")
			if err := errors.Join(os.Mkdir(dir, 0o700), c.make(dir)); err != nil {
				t.Fatal(err)
			}
			if _, err := Open(dir, repository, ""); err == nil {
				t.Error("it was used")
			}
		})
	}
}
