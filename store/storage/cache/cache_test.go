package cache

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"sync"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage"
)

func open(t *testing.T, path string, most int64) *Folder {
	t.Helper()
	for _, dir := range []string{filepath.Dir(path), path} {
		os.Chmod(dir, 0o700) // TempDir may be a folder that a group can write; one that is missing is made
	}
	f, err := Open(path, most)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	f.tidy = true
	return f
}

// read gives the copy of an object, or "" where there is none.
func read(t *testing.T, f *Folder, name string, size int64) string {
	t.Helper()
	file := f.Reader(name, size)
	if file == nil {
		return ""
	}
	defer file.Close()
	b, err := io.ReadAll(file)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// age makes a copy one that was used long ago.
func age(t *testing.T, dir, name string, d time.Duration) {
	t.Helper()
	then := time.Now().Add(-d)
	if err := os.Chtimes(filepath.Join(dir, name), then, then); err != nil {
		t.Fatal(err)
	}
}

// files gives the names of all files below dir.
func files(t *testing.T, dir string) (all []string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			all = append(all, d.Name())
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func TestCopies(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "b")
	f := open(t, dir, 0)
	if got := read(t, f, "tables/x", 4); got != "" {
		t.Errorf("an empty cache gives %q", got)
	}
	f.Add("tables/x", []byte("bean"))
	f.Add("tables/x", []byte("bean")) // again, as another process might
	if got := read(t, f, "tables/x", 4); got != "bean" {
		t.Errorf("got %q", got)
	}
	if got := read(t, f, "captures/x", 4); got != "" {
		t.Errorf("another object gives %q", got)
	}
	f.Drop("tables/x")
	f.Drop("tables/x")
	if got := read(t, f, "tables/x", 4); got != "" {
		t.Errorf("what was dropped gives %q", got)
	}
}

// A copy of another length than the object is none, and goes.
func TestLength(t *testing.T) {
	for _, size := range []int64{0, 3, 5} {
		dir := t.TempDir()
		f := open(t, dir, 0)
		f.Add("tables/x", []byte("bean"))
		if got := read(t, f, "tables/x", size); got != "" {
			t.Errorf("length %d gives %q", size, got)
		}
		if left := files(t, dir); len(left) != 0 {
			t.Errorf("%v is left", left)
		}
	}
}

// Only what is complete, and was to be kept, is.
func TestUnfinished(t *testing.T) {
	for name, end := range map[string]func(*Writer){
		"discarded":   func(w *Writer) { w.Write([]byte("bean")); w.Discard() },
		"cut short":   func(w *Writer) { w.Write([]byte("be")); w.Keep() },
		"too long":    func(w *Writer) { w.Write([]byte("beans")); w.Keep() },
		"write fails": func(w *Writer) { w.file.Close(); w.Write([]byte("bean")); w.Keep() },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			f := open(t, dir, 0)
			w := f.Writer("tables/x", 4)
			if w == nil {
				t.Fatal("no writer")
			}
			if got := read(t, f, "tables/x", 4); got != "" {
				t.Errorf("unfinished, it gives %q", got)
			}
			end(w)
			if left := files(t, dir); len(left) != 0 {
				t.Errorf("%v is left", left)
			}
		})
	}
}

// What was used longest ago goes first, what this process used stays, and beyond
// that nothing is kept.
func TestBound(t *testing.T) {
	dir := t.TempDir()
	before := open(t, dir, 1000)
	for i := range 10 {
		name := fmt.Sprintf("tables/%d", i)
		before.Add(name, make([]byte, 100))
		age(t, dir, name, time.Duration(100-i)*time.Hour)
	}
	f := open(t, dir, 1000)
	if got := read(t, f, "tables/0", 100); got == "" {
		t.Error("the oldest is not there")
	}
	f.Add("tables/new", make([]byte, 100))
	for name, want := range map[string]bool{"tables/0": true, "tables/1": false, "tables/2": false, "tables/3": true, "tables/9": true, "tables/new": true} {
		if got := read(t, f, name, 100) != ""; got != want {
			t.Errorf("%s is there: %v, want %v", name, got, want)
		}
	}
	for i := range 10 { // all of them are in use now
		read(t, f, fmt.Sprintf("tables/%d", i), 100)
	}
	f.Add("tables/more", make([]byte, 150))
	if read(t, f, "tables/more", 150) != "" || read(t, f, "tables/0", 100) == "" {
		t.Error("what is in use gave way")
	}
	f.Drop("tables/0")
	f.Add("tables/less", make([]byte, 100))
	if read(t, f, "tables/less", 100) == "" {
		t.Error("what was dropped made no room")
	}
	f.Add("tables/huge", make([]byte, 1001))
	if read(t, f, "tables/huge", 1001) != "" {
		t.Error("more is kept than there is room for")
	}
}

// A copy that this process used stays, also where its time is so fresh that it is not
// written again.
func TestUsedLately(t *testing.T) {
	dir := t.TempDir()
	before := open(t, dir, 1000)
	for i := range 10 {
		name := fmt.Sprintf("tables/%d", i)
		before.Add(name, make([]byte, 100))
		age(t, dir, name, time.Duration(40-i)*time.Minute)
	}
	f := open(t, dir, 1000)
	old, err := os.Stat(filepath.Join(dir, "tables/0"))
	if err != nil || read(t, f, "tables/0", 100) == "" {
		t.Fatal("the oldest is not there", err)
	}
	f.Add("tables/new", make([]byte, 100))
	for name, want := range map[string]bool{"tables/0": true, "tables/1": false, "tables/9": true, "tables/new": true} {
		if got := read(t, f, name, 100) != ""; got != want {
			t.Errorf("%s is there: %v, want %v", name, got, want)
		}
	}
	if now, err := os.Stat(filepath.Join(dir, "tables/0")); err != nil || !now.ModTime().Equal(old.ModTime()) {
		t.Errorf("the time of a copy was written again within the hour: %v", err)
	}
}

func TestRetain(t *testing.T) {
	dir := t.TempDir()
	f := open(t, dir, 0)
	f.Retain("tables", nil) // nothing is there yet
	for _, name := range []string{"tables/a", "tables/b", "tables/c", "captures/a"} {
		f.Add(name, []byte("bean"))
	}
	for _, name := range []string{"tables/a", "tables/b", "captures/a"} {
		age(t, dir, name, 2*youth)
	}
	f.Retain("tables", []storage.Info{{Name: "tables/a"}, {Name: "tables/d"}})
	for name, want := range map[string]bool{"tables/a": true, "tables/b": false, "tables/c": true, "captures/a": true} {
		if got := read(t, f, name, 4) != ""; got != want {
			t.Errorf("%s is there: %v, want %v", name, got, want)
		}
	}
}

// Files that a process which was killed wrote aside are removed after a day.
func TestAside(t *testing.T) {
	dir := t.TempDir()
	f := open(t, dir, 0)
	f.Writer("tables/x", 4)
	f.Writer("tables/y", 4)
	left := files(t, dir)
	if len(left) != 2 {
		t.Fatalf("written aside: %v", left)
	}
	age(t, dir, "tables/"+left[0], 2*asideAge)
	open(t, dir, 0).Add("tables/z", []byte("bean"))
	if now := files(t, dir); len(now) != 2 || now[0] != left[1] && now[1] != left[1] {
		t.Errorf("left: %v, of %v", now, left)
	}
}

// The folder may go at any moment.
func TestRemoved(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "cache")
	f := open(t, dir, 0)
	f.Add("tables/x", []byte("bean"))
	w := f.Writer("tables/y", 4)
	if err := os.RemoveAll(dir); err != nil {
		t.Skip(err) // it is open
	}
	w.Write([]byte("bean"))
	w.Keep()
	f.Add("tables/z", []byte("bean"))
	f.Retain("tables", nil)
	f.Drop("tables/x")
	if got := read(t, f, "tables/x", 4); got != "" {
		t.Errorf("got %q", got)
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	again := open(t, dir, 0)
	again.Add("tables/x", []byte("bean"))
	if err := os.RemoveAll(filepath.Join(dir, "tables")); err != nil {
		t.Fatal(err)
	}
	again.Add("tables/x", []byte("bean")) // finds out
	again.Add("tables/x", []byte("bean"))
	if got := read(t, again, "tables/x", 4); got != "bean" {
		t.Errorf("got %q", got)
	}
}

// A nil Folder keeps nothing.
func TestNone(t *testing.T) {
	var f *Folder
	f.Add("tables/x", []byte("bean"))
	f.Drop("tables/x")
	f.Retain("tables", nil)
	if f.Reader("tables/x", 4) != nil || f.Close() != nil {
		t.Error("it keeps something")
	}
}

func TestOpenFails(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(filepath.Join(file, "cache"), 0); err == nil {
		t.Error("a folder below a file opens")
	}
	if _, err := Open(t.TempDir(), -1); err == nil {
		t.Error("a negative size is taken")
	}
}

// Names that are no objects', and links that lead out, are never followed.
func TestNoWayOut(t *testing.T) {
	dir := t.TempDir()
	outside := filepath.Join(dir, "outside")
	if err := os.WriteFile(outside, []byte("bean"), 0o600); err != nil {
		t.Fatal(err)
	}
	f := open(t, filepath.Join(dir, "cache"), 0)
	if err := os.Symlink(outside, filepath.Join(dir, "cache", "link")); err == nil {
		if got := read(t, f, "link", 4); got != "" {
			t.Errorf("a link gives %q", got)
		}
	}
	for _, name := range []string{"../outside", "tables/../../outside", "/etc/passwd", "", "."} {
		f.Drop(name)
		f.Add(name, []byte("pest"))
		if got := read(t, f, name, 4); got != "" {
			t.Errorf("%s gives %q", name, got)
		}
	}
	if b, err := os.ReadFile(outside); err != nil || !bytes.Equal(b, []byte("bean")) {
		t.Errorf("outside: %q, %v", b, err)
	}
}

// Nobody else reads what is kept.
func TestModes(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no modes")
	}
	dir := filepath.Join(t.TempDir(), "cache")
	open(t, dir, 0).Add("tables/x", []byte("bean"))
	for path, want := range map[string]os.FileMode{dir: 0o700, dir + "/tables": 0o700, dir + "/tables/x": 0o600} {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got != want {
			t.Errorf("%s has mode %o", path, got)
		}
	}
}

// Several processes and goroutines use a cache that is much too small.
func TestTogether(t *testing.T) {
	dir := t.TempDir()
	content := func(i int) []byte { return bytes.Repeat([]byte{byte('a' + i)}, 100+i) }
	var g sync.WaitGroup
	for range 3 {
		f := open(t, dir, 1500)
		for range 2 {
			g.Go(func() {
				for k := range 300 {
					i := k * 7 % 20
					name := fmt.Sprintf("tables/%d", i)
					want := string(content(i))
					if got := read(t, f, name, int64(len(want))); got != "" && got != want {
						t.Errorf("%s: %.10q", name, got)
					}
					f.Add(name, []byte(want))
					if k%50 == 49 {
						f.Drop(name)
					}
				}
			})
		}
	}
	g.Wait()
}

// A process that is not the one to tidy up finds out all the same that there is no
// room, before it adds much.
func TestBoundWithoutTidying(t *testing.T) {
	dir := t.TempDir()
	for i := range 200 {
		f := open(t, dir, 1600)
		f.tidy = false
		f.Add(fmt.Sprintf("tables/%d", i), make([]byte, 90))
		f.Add(fmt.Sprintf("captures/%d", i), make([]byte, 90))
		age(t, dir, fmt.Sprintf("tables/%d", i), time.Hour)
	}
	if n := len(files(t, dir)); n < 10 || n > 40 {
		t.Errorf("%d copies of 90 bytes where 1,600 bytes are to be kept", n)
	}
}

// A copy whose length is not known before has any length up to what was said.
func TestUpTo(t *testing.T) {
	for content, want := range map[string]int64{"": 0, "seed": 4, "seeds": 5, "a seed": 0} {
		f := open(t, filepath.Join(t.TempDir(), "cache"), 1000)
		w := f.UpTo("slabs/ab", 5)
		io.WriteString(w, content)
		if got := w.Keep(); got != want {
			t.Errorf("%q: %d bytes are kept", content, got)
		}
		if got := read(t, f, "slabs/ab", -1); want > 0 && got != content || want == 0 && got != "" {
			t.Errorf("%q: the copy is %q", content, got)
		}
		if f.total != want {
			t.Errorf("%q: %d bytes are counted", content, f.total)
		}
	}
}
