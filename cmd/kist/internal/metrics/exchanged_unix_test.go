//go:build unix

package metrics

import (
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"
)

// TestExchanged: what whoever has the folder puts in the file's place while a run goes on is not read, waited for or told.
func TestExchanged(t *testing.T) {
	dir := t.TempDir()
	secret := filepath.Join(dir, "secret")
	if err := os.WriteFile(secret, []byte("seeds_total 7\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, put := range map[string]func(file string) error{
		"pipe":    func(f string) error { return unix.Mkfifo(f, 0o666) },
		"link":    func(f string) error { return os.Symlink(secret, f) },
		"endless": func(f string) error { return os.Symlink("/dev/zero", f) },
	} {
		file := filepath.Join(dir, name)
		r := begin(t, file, "verify", noon)
		if err := put(file); err != nil {
			t.Fatal(err)
		}
		was, _ := os.Lstat(file)
		if err := r.End(true); err == nil {
			t.Errorf("%s: it was taken over", name)
		}
		if is, err := os.Lstat(file); err != nil || is.Mode() != was.Mode() {
			t.Errorf("%s became %v, %v", name, is, err)
		}
		if _, err := Begin(file, "verify", "", at(noon)); err == nil {
			t.Errorf("%s: a run began", name)
		}
	}
}
