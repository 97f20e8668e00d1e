//go:build linux || darwin

package volume

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
)

// siteOf opens the site of a file, with another one built beside it.
func siteOf(t *testing.T, path, text string) (s *FileSite, part string) {
	t.Helper()
	s, err := OpenFileSite(path)
	ok(t, err)
	t.Cleanup(func() { s.Close() })
	f, err := s.Create()
	ok(t, err)
	_, err = f.WriteString(text)
	ok(t, err, s.Dress(f), f.Close())
	return s, filepath.Base(f.Name())
}

func mustHold(t *testing.T, path, want string) {
	t.Helper()
	if got, err := os.ReadFile(path); err != nil || string(got) != want {
		t.Errorf("%s: %q, %v", path, got, err)
	}
}

// TestFileSite: a file takes the place of another, which is kept; nothing else is left. What is done is done in the folder that
// was opened, whatever has its name by then.
func TestFileSite(t *testing.T) {
	dir := t.TempDir()
	conf, bait := filepath.Join(dir, "conf"), filepath.Join(dir, "bait")
	path := filepath.Join(conf, "single.toml")
	ok(t, os.Mkdir(conf, 0o755), os.Mkdir(bait, 0o755), os.WriteFile(path, []byte("new"), 0o640), os.Chmod(path, 0o640),
		os.WriteFile(filepath.Join(bait, "single.toml"), []byte("root's"), 0o600))
	s, part := siteOf(t, path, "old")
	ok(t, s.Check())
	ok(t, os.Rename(conf, conf+".old"), os.Symlink(bait, conf))
	ok(t, s.Exchange(part, "single.toml.before-1"), s.Settle("single.toml.before-1"), s.Flush())
	mustHold(t, conf+".old/single.toml", "old")
	mustHold(t, conf+".old/single.toml.before-1", "new")
	mustHold(t, bait+"/single.toml", "root's")
	for folder, n := range map[string]int{conf + ".old": 2, bait: 1} {
		if all, err := os.ReadDir(folder); err != nil || len(all) != n {
			t.Errorf("%v, %v", all, err)
		}
	}
	if is, err := os.Stat(conf + ".old/single.toml"); err != nil || is.Mode() != 0o640 {
		t.Errorf("%v, %v", is, err)
	}
	if _, part := siteOf(t, conf+".old/single.toml", "older"); !errors.Is(s.Exchange(part, "single.toml.before-1"), fs.ErrExist) {
		t.Error("what is kept was written over")
	}
}

// TestFileSiteSettle: what a kill left between two steps is put right, and what is at its end is left.
func TestFileSiteSettle(t *testing.T) {
	for name, test := range map[string]struct {
		place, kept string // what they hold; "" for nothing, "=" for the same file
		wantPlace   string
		wantKept    bool
	}{
		"linked, not exchanged": {"new", "=", "new", false},
		"renamed away":          {"", "new", "new", false},
		"at its end":            {"old", "new", "old", true},
		"not begun":             {"new", "", "new", false},
	} {
		t.Run(name, func(t *testing.T) {
			place := filepath.Join(t.TempDir(), "single.toml")
			kept := place + ".before-1"
			for path, text := range map[string]string{place: test.place, kept: test.kept} {
				if text != "" && text != "=" {
					ok(t, os.WriteFile(path, []byte(text), 0o600))
				}
			}
			if test.kept == "=" {
				ok(t, os.Link(place, kept))
			}
			s, err := OpenFileSite(place)
			ok(t, err)
			defer s.Close()
			ok(t, s.Settle("single.toml.before-1"))
			mustHold(t, place, test.wantPlace)
			if _, err := os.Lstat(kept); (err == nil) != test.wantKept {
				t.Errorf("what was kept: %v", err)
			}
		})
	}
}

// TestFileSiteRefused: what is no file's place, and a link of another user's on the way.
func TestFileSiteRefused(t *testing.T) {
	dir := t.TempDir()
	ok(t, os.Mkdir(dir+"/folder", 0o755), os.WriteFile(dir+"/folder/f", nil, 0o600), os.Symlink("folder", dir+"/mine"))
	for _, path := range []string{dir + "/folder", "/"} {
		s, err := OpenFileSite(path)
		if err == nil {
			_, err = s.stat()
		}
		if !errors.Is(err, ErrNotReplaceable) {
			t.Errorf("%s: %v", path, err)
		}
	}
	s, err := OpenFileSite(dir + "/mine/f")
	ok(t, err)
	defer s.Close()
	if filepath.Base(filepath.Dir(s.Path())) != "folder" {
		t.Error(s.Path())
	}
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
	ok(t, os.Lchown(dir+"/mine", 12345, 12345))
	if _, err := OpenFileSite(dir + "/mine/f"); !errors.Is(err, ErrForeignLink) {
		t.Errorf("%v", err)
	}
}
