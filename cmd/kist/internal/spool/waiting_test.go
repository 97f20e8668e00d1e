package spool

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// TestWaiting: what was not sent waits, told by the names of index files alone, also of several generations, and by nobody's
// memory but the folder's.
func TestWaiting(t *testing.T) {
	const one, two = "20260314t0203z-k7f3", "20260315t0203z-aaaa"
	s := &Spool{Dir: filepath.Join(t.TempDir(), "spool")}
	if ids, err := s.Waiting(); err != nil || len(ids) > 0 {
		t.Errorf("before there is any: %q, %v", ids, err)
	}
	if f, err := s.Open(false); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("%v, %v", f, err)
	}
	for range 2 {
		f, err := s.Open(true)
		if err != nil {
			t.Fatal(err)
		}
		f.Close()
	}
	captures := filepath.Join(s.Dir, "repository", "captures")
	for _, name := range []string{two, one, one + ".0001", "_aside-1", "Odd Name"} {
		if err := os.WriteFile(filepath.Join(captures, name), nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(captures, "folder"), 0o700); err != nil {
		t.Fatal(err)
	}
	steps := []struct {
		do   func() error
		want []string
	}{
		{func() error { return nil }, []string{one, two}},
		{func() error { return s.MarkSent(one) }, []string{two}},
		{func() error { return s.MarkSent(one) }, []string{two}}, // once more, as after a kill
		{func() error { return s.Forget(func(id string) bool { return id == one }) }, []string{two}},
		{func() error { return s.Forget(func(id string) bool { return false }) }, []string{one, two}},
	}
	for i, step := range steps {
		if err := step.do(); err != nil {
			t.Error(err)
		}
		again := &Spool{Dir: s.Dir}
		if ids, err := again.Waiting(); err != nil || !slices.Equal(ids, step.want) {
			t.Errorf("step %d: %q, %v, not %q", i, ids, err, step.want)
		}
		if again.IsSent(one) == slices.Contains(step.want, one) {
			t.Errorf("step %d: sent: %v", i, again.IsSent(one))
		}
	}
	if err := os.RemoveAll(filepath.Join(s.Dir, "sent")); err != nil {
		t.Fatal(err)
	}
	if err := s.MarkSent(one); err == nil {
		t.Error("a mark that could not be put counts as put")
	}
}

// TestNote: what is known of a path is what was noted last, for that path alone, and nothing where the note was spoiled.
func TestNote(t *testing.T) {
	s := Spools{Dir: t.TempDir()}
	for _, id := range []string{"aaaa", "aaaa-second", "bbbb"} {
		if err := s.Note("/mnt/share/kist", id); err != nil {
			t.Fatal(err)
		}
		if got, err := s.At("/mnt/share/kist"); got != id || err != nil {
			t.Errorf("%q, %v", got, err)
		}
	}
	if got, err := s.At("/mnt/share"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("another path: %q, %v", got, err)
	}
	for _, spoiled := range []string{`{"path":"/mnt/other","repository":"aaaa"}`, `{"path":"/mnt/share/kist","repository":"../aaaa"}`, `{`} {
		if err := os.WriteFile(s.placeFile("/mnt/share/kist"), []byte(spoiled), 0o600); err != nil {
			t.Fatal(err)
		}
		if got, err := s.At("/mnt/share/kist"); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s: %q, %v", spoiled, got, err)
		}
	}
	for _, id := range []string{"", "..", "A", "a/b"} {
		if _, err := s.Of(id); err == nil {
			t.Errorf("%q is the name of a spool", id)
		}
	}
}
