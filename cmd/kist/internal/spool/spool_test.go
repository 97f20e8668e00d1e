package spool

import (
	"os"
	"path/filepath"
	"testing"
)

// TestTry: no two tries of a capture, of whatever process, are of one number, until the spool has it no more.
func TestTry(t *testing.T) {
	const id = "20260314t0203z-k7f3"
	dir := t.TempDir()
	for want := range 3 {
		s := &Spool{Dir: dir}
		if got, err := s.Try(id); got != want || err != nil {
			t.Errorf("try %d: %d, %v", want, got, err)
		}
	}
	s := &Spool{Dir: dir}
	if err := s.Forget(func(string) bool { return false }); err != nil {
		t.Error(err)
	}
	if got, err := s.Try(id); got != 0 || err != nil {
		t.Errorf("%d, %v", got, err)
	}
	if err := os.WriteFile(filepath.Join(dir, tries, id), []byte("often"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Try(id); err == nil {
		t.Error("what is no number counts as none")
	}
}
