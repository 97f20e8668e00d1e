package files

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestPlace: a finished file comes into its place whole, and over another one only where
// that is wanted.
func TestPlace(t *testing.T) {
	dir := t.TempDir()
	to := filepath.Join(dir, "seedbank.tar")
	write := func(content string) string {
		t.Helper()
		part := PartName(to)
		if filepath.Dir(part) != dir || part == to {
			t.Fatalf("%s is not beside %s", part, to)
		}
		if err := os.WriteFile(part, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return part
	}
	for _, test := range []struct {
		content   string
		overwrite bool
		fails     bool
		want      string
	}{{"first", false, false, "first"}, {"second", false, true, "first"}, {"third", true, false, "third"}} {
		part := write(test.content)
		err := Place(part, to, test.overwrite)
		if (err != nil) != test.fails {
			t.Errorf("%s: %v", test.content, err)
		}
		if b, err := os.ReadFile(to); err != nil || string(b) != test.want {
			t.Errorf("%s: %q is there, %v", test.content, b, err)
		}
		if _, err := os.Lstat(part); (err == nil) != test.fails { // who placed it removes it then
			t.Errorf("%s: the part: %v", test.content, err)
		}
	}
	link := filepath.Join(dir, "link\x1b")
	if err := os.Symlink("none", link); err != nil {
		t.Skip(err)
	}
	if err := MustBeFree(link); err == nil || strings.Contains(err.Error(), "\x1b") {
		t.Errorf("a link that leads nowhere is something, too: %v", err)
	}
	if err := MustBeFree(filepath.Join(dir, "none")); err != nil || IsFolder(link) || !IsFolder(dir) {
		t.Errorf("nothing is there: %v", err)
	}
}

// TestRemoveTree removes what modes forbid, as in a restored tree.
func TestRemoveTree(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "tree")
	deep := filepath.Join(dir, "a", "b")
	if err := os.MkdirAll(deep, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(deep, "file"), nil, 0o400); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{deep, filepath.Dir(deep), dir} {
		if err := os.Chmod(path, 0); err != nil {
			t.Fatal(err)
		}
	}
	if err := RemoveTree(dir); err != nil {
		t.Error(err)
	}
	if _, err := os.Lstat(dir); !os.IsNotExist(err) {
		t.Errorf("it is still there: %v", err)
	}
}
