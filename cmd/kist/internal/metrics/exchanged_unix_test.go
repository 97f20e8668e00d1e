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

// TestPlantedAside: what whoever has the folder put where the file is written aside is neither written to nor removed.
func TestPlantedAside(t *testing.T) {
	dir := t.TempDir()
	precious := filepath.Join(dir, "precious")
	file, part := filepath.Join(dir, "kist.prom"), filepath.Join(dir, "kist.prom.part")
	for name, plant := range map[string]func() error{
		"link":         func() error { return os.Symlink(precious, part) },
		"dangling":     func() error { return os.Symlink(filepath.Join(dir, "none"), part) },
		"another name": func() error { return os.Link(precious, part) },
	} {
		if err := os.WriteFile(precious, []byte("seeds"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := plant(); err != nil {
			t.Fatal(err)
		}
		if err := replace(file, part, []byte("kist_well 1\n")); err == nil {
			t.Errorf("%s: it was written", name)
		}
		info, _ := os.Stat(precious)
		if b, err := os.ReadFile(precious); err != nil || string(b) != "seeds" || info.Mode() != 0o600 {
			t.Errorf("%s: %q, %v, %v", name, b, info.Mode(), err)
		}
		for _, none := range []string{file, filepath.Join(dir, "none")} {
			if _, err := os.Lstat(none); err == nil {
				t.Errorf("%s: there is %s", name, none)
			}
		}
		if err := os.Remove(part); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestReadByAll: whoever collects metrics is another user, whatever the umask of the run was.
func TestReadByAll(t *testing.T) {
	defer unix.Umask(unix.Umask(0o077))
	file := filepath.Join(t.TempDir(), "kist.prom")
	end(t, begin(t, file, "verify", noon), true)
	if info, err := os.Stat(file); err != nil || info.Mode().Perm() != 0o644 {
		t.Errorf("%v, %v", info, err)
	}
}
