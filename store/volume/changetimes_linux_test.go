package volume

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// askedSink notes which members it was asked for and which it got.
type askedSink struct{ asked, put map[string]bool }

func newAskedSink() *askedSink { return &askedSink{make(map[string]bool), make(map[string]bool)} }

func (s *askedSink) Find(path string, _ *State) (any, error) {
	s.asked[path] = true
	return nil, nil
}

func (s *askedSink) TakeOver(any) error { return errors.New("nothing was found") }

func (s *askedSink) Put(path string, _ *State, _ []byte, content io.Reader, _ int64) error {
	s.put[path] = true
	_, err := io.Copy(io.Discard, content)
	return err
}

func (s *askedSink) Drop() error { return nil }

// freshTree makes a tree in which every change time is the modification time.
func freshTree(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	for _, err := range []error{
		os.MkdirAll(filepath.Join(dir, "lots", "more"), 0o755),
		os.WriteFile(filepath.Join(dir, "catalogue"), []byte("bean\n"), 0o644),
		os.WriteFile(filepath.Join(dir, "lots", "more", "f.1"), []byte("lot 1\n"), 0o644),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestChangeTimes walks over file systems of all kinds, and finds members only where their change
// times tell of every change.
func TestChangeTimes(t *testing.T) {
	for name, c := range map[string]struct {
		clock     clock
		touched   string // what gets its modification time set back
		asked     bool
		noChanges bool
	}{
		"kept, and nothing shows it":     {clockKept, "", true, false},
		"layered":                        {clockLayered, "", true, false},
		"doubtful, and nothing shows it": {clockDoubtful, "", false, true},
		"doubtful, shown by a file":      {clockDoubtful, "lots/more/f.1", true, false},
		"doubtful, shown by a folder":    {clockDoubtful, "lots", true, false},
		"doubtful, shown by the top":     {clockDoubtful, ".", true, false},
		"absent, whatever it shows":      {clockAbsent, "catalogue", false, true},
	} {
		t.Run(name, func(t *testing.T) {
			dir := freshTree(t)
			if c.touched != "" {
				if err := os.Chtimes(filepath.Join(dir, c.touched), time.Time{}, time.Unix(1_700_000_000, 0)); err != nil {
					t.Fatal(err)
				}
			}
			sink := newAskedSink()
			report, err := Walk(context.Background(), dir, sink, ReadOptions{clock: func(*folder) clock { return c.clock }})
			if err != nil {
				t.Fatal(err)
			}
			for _, path := range []string{"./", "./catalogue", "./lots/", "./lots/more/f.1"} {
				if sink.asked[path] != c.asked || !sink.put[path] {
					t.Errorf("%s: asked for is %v, put is %v", path, sink.asked[path], sink.put[path])
				}
			}
			if report.NoChangeTimes != c.noChanges {
				t.Errorf("NoChangeTimes is %v", report.NoChangeTimes)
			}
		})
	}
}

// TestRoundedChangeTimes takes no rounded modification time for a change time.
func TestRoundedChangeTimes(t *testing.T) {
	m := &meta{mtime: time.Unix(1_700_000_001, 999_999_999), ctime: time.Unix(1_700_000_000, 0)}
	if apart(m) {
		t.Error("2 s of rounding show a change time")
	}
	m.ctime = m.ctime.Add(time.Minute)
	if !apart(m) {
		t.Error("a minute shows none")
	}
}

// TestLocalChangeTimes knows the file system of the test, which is one of those that keep them.
func TestLocalChangeTimes(t *testing.T) {
	d, err := openDoor(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer d.close()
	if c := clockOf(d); c != clockKept && c != clockLayered {
		t.Skipf("the file system of %s keeps none for certain", d.path)
	}
	proc, err := openDoor("/proc/self")
	if err != nil {
		t.Skip(err)
	}
	defer proc.close()
	if c := clockOf(proc); c != clockDoubtful {
		t.Errorf("of /proc it is %v", c)
	}
}

// TestMappedOnTmpfs: there what is written through a memory map moves no times, so none are relied on,
// also where others show that they are kept.
func TestMappedOnTmpfs(t *testing.T) {
	dir := t.TempDir() + "/mounted"
	mount(t, dir)
	d, err := openDoor(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer d.close()
	if c := clockOf(d); c != clockAbsent {
		t.Errorf("of a tmpfs it is %v", c)
	}
}
