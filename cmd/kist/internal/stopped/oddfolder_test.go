//go:build unix

package stopped

import (
	"os"
	"path/filepath"
	"testing"
)

// TestNoteInOddFolder starts what was left stopped where the name of the folder for notes looks like a pattern.
func TestNoteInOddFolder(t *testing.T) {
	k, c, f, _ := newKeeper(t)
	dir := filepath.Join(t.TempDir(), "state[1]")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	k.Folder = func() (string, error) { return dir, nil }
	h, err := k.Halt(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	h.note.release() // as the system does when a run is killed
	if err := k.StartLeft(t.Context()); err != nil {
		t.Fatal(err)
	}
	mustRun(t, k, f)
}
