package notes

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func newFolder(t *testing.T) Folder {
	t.Helper()
	return Folder{Path: filepath.Join(t.TempDir(), "state", "kist"), Kind: "notes about beds"}
}

// put makes a note, where the system has locks.
func put(t *testing.T, d Folder, name, text string) *File {
	t.Helper()
	n, err := d.Put(name, []byte(text))
	if errors.Is(err, errors.ErrUnsupported) {
		t.Skip(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// holds fails unless just these names are in the folder: nothing is left of what was written aside.
func (d Folder) holds(t *testing.T, names ...string) {
	t.Helper()
	entries, err := os.ReadDir(d.Path)
	if err != nil {
		t.Fatal(err)
	}
	var is []string
	for _, e := range entries {
		is = append(is, e.Name())
	}
	if strings.Join(is, " ") != strings.Join(names, " ") {
		t.Errorf("the folder holds %q, not %q", is, names)
	}
}

// TestNote: a note is one run's until that lets it go or ends; it is read by all, added to, renamed and removed.
func TestNote(t *testing.T) {
	d := newFolder(t)
	n := put(t, d, "bed-1.json", "beans\n")
	path := n.Path()
	if second, err := d.Put("bed-1.json", []byte("peas\n")); second != nil || !errors.Is(err, ErrTaken) {
		t.Errorf("a second one of that name: %v", err)
	}
	if other, err := Take(path); other != nil || err != nil || !AtWork(path) {
		t.Errorf("two have it: %v", err)
	}
	if err := n.Add([]byte("peas\n")); err != nil {
		t.Error(err)
	}
	if text, err := Read(path, 5); err != nil || string(text) != "peas\n" {
		t.Errorf("%q, %v", text, err)
	}
	if err := n.Release(); err != nil || AtWork(path) { // as the system does for a run that is killed
		t.Errorf("it is kept: %v", err)
	}
	if n, _ = Take(path); n == nil {
		t.Fatal("it can't be taken")
	}
	at := time.Unix(1, 0)
	if err := errors.Join(n.Add([]byte("leek\n")), n.Stamp(at)); err != nil {
		t.Error(err)
	}
	text, err := n.Text(1 << 10)
	stamped, err2 := n.Stamped()
	if err = errors.Join(err, err2); err != nil || string(text) != "beans\npeas\nleek\n" || !stamped.Equal(at) {
		t.Errorf("%q, %s, %v", text, stamped, err)
	}
	if err := n.Rename("bed-2.json"); err != nil || n.Path() != filepath.Join(d.Path, "bed-2.json") {
		t.Errorf("%s, %v", n.Path(), err)
	}
	d.holds(t, "bed-2.json")
	if err := errors.Join(n.Remove(), n.Remove(), n.Release()); err != nil {
		t.Error(err)
	}
	d.holds(t)
	if other, err := Take(path); other != nil || err != nil {
		t.Errorf("what is gone: %v, %v", other, err)
	}
	if _, err := Read(path, 1); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
}

// TestRefused: what can't be flushed leaves no note, which the next run would act by.
func TestRefused(t *testing.T) {
	d := newFolder(t)
	full := errors.New("the disk is full")
	d.Sync = func(string) error { return full }
	n, err := d.Put("bed-1.json", []byte("beans\n"))
	if n != nil || !errors.Is(err, full) && !errors.Is(err, errors.ErrUnsupported) {
		t.Fatal(err)
	}
	d.holds(t)
}

// TestShared: a folder that others can write is not used.
func TestShared(t *testing.T) {
	d := newFolder(t)
	n := put(t, d, "bed-1.json", "beans\n")
	defer n.Release()
	if err := os.Chmod(d.Path, 0o777); err != nil {
		t.Fatal(err)
	}
	_, err := d.Put("bed-2.json", nil)
	for _, err := range []error{err, d.Check()} {
		if err == nil || !strings.Contains(err.Error(), "notes about beds in "+d.Path+" are not used: others can write there") {
			t.Errorf("got %v", err)
		}
	}
}

// TestOdd: what is no regular file, or what others may write, is neither taken nor read.
func TestOdd(t *testing.T) {
	d := newFolder(t)
	n := put(t, d, "bed-1.json", "beans\n")
	path := n.Path()
	n.Release()
	link := filepath.Join(d.Path, "bed-2.json")
	if err := errors.Join(os.Symlink(path, link), os.Chmod(path, 0o622)); err != nil {
		t.Skip(err)
	}
	for _, path := range []string{path, link} {
		if n, err := Take(path); n != nil || err == nil {
			t.Errorf("%s is taken", path)
		}
		if text, err := Read(path, 1); err == nil || len(text) > 0 {
			t.Errorf("%s is read", path)
		}
		if !AtWork(path) {
			t.Errorf("%s: nothing tells whether a run is at work by it", path)
		}
	}
}

// TestIsFlushed: what a note says is on the disk, or it counts as not written. A pipe takes what is written and can't
// be flushed (fsync(2): EINVAL).
func TestIsFlushed(t *testing.T) {
	out, in, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	defer in.Close()
	if err := in.Sync(); err == nil {
		t.Skip("pipes can be flushed here")
	}
	if err := (&File{f: in}).Add([]byte("a line\n")); err == nil {
		t.Error("what could not be flushed counts as written")
	}
}
