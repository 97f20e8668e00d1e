package files

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
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

// TestWrite: a file is there whole or as it was before, and nothing is left beside it.
func TestWrite(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "usage.html")
	text := func(s string) func(io.Writer) error {
		return func(w io.Writer) error { _, err := io.WriteString(w, s); return err }
	}
	broken := errors.New("broken")
	for _, step := range []struct {
		overwrite bool
		write     func(io.Writer) error
		fails     bool
		want      string
	}{
		{false, func(w io.Writer) error { io.WriteString(w, "half"); return broken }, true, ""},
		{false, text("one"), false, "one"},
		{false, text("two"), true, "one"},
		{true, func(w io.Writer) error { io.WriteString(w, "half"); return broken }, true, "one"},
		{true, text("three"), false, "three"},
	} {
		err := Write(path, step.overwrite, step.write)
		if (err != nil) != step.fails {
			t.Errorf("%+v: %v", step, err)
		}
		if got, _ := os.ReadFile(path); string(got) != step.want {
			t.Errorf("%+v: the file has %q", step, got)
		}
		entries, err := os.ReadDir(dir)
		if err != nil || len(entries) > 1 {
			t.Errorf("%+v: %v beside it, %v", step, entries, err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "folder"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := Write(filepath.Join(dir, "folder"), true, text("four")); err == nil {
		t.Error("a folder was replaced")
	}
	if err := Write(filepath.Join(dir, "nowhere", "file"), false, text("five")); err == nil {
		t.Error("written where no folder is")
	}
}

// TestWriteMode: what a page may be read by is said once, and stays.
func TestWriteMode(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("modes are of POSIX")
	}
	path := filepath.Join(t.TempDir(), "usage.html")
	write := func(w io.Writer) error { _, err := io.WriteString(w, "x"); return err }
	for _, want := range []os.FileMode{0o600, 0o644} {
		if err := Write(path, true, write); err != nil {
			t.Fatal(err)
		}
		info, err := os.Stat(path)
		if err != nil || info.Mode().Perm() != want {
			t.Fatalf("mode %v, not %v: %v", info.Mode(), want, err)
		}
		if err := os.Chmod(path, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	// A link is replaced, and what it leads to neither changes nor says who may read the page.
	link := filepath.Join(filepath.Dir(path), "link.html")
	if err := errors.Join(os.Symlink(path, link), Write(link, true, func(w io.Writer) error { _, err := io.WriteString(w, "y"); return err })); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode() != 0o600 {
		t.Errorf("in the place of a link: %v, %v", info.Mode(), err)
	}
	if b, err := os.ReadFile(path); string(b) != "x" || err != nil {
		t.Errorf("what it led to has %q, %v", b, err)
	}
}
