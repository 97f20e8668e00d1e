//go:build unix

package stopped

import (
	"os"
	"path/filepath"
	"testing"
)

// TestNoteBytes: a note keeps all bytes of a command and of folders, also of those that are not UTF-8: 0xe9 is é in ISO 8859-1.
func TestNoteBytes(t *testing.T) {
	k, c, _, _ := newKeeper(t)
	dir, err := k.Folder()
	if err != nil {
		t.Fatal(err)
	}
	const odd = "/srv/caf\xe9"
	n := newNote(c)
	n.Restoring, n.Places, n.Mounts = true, []string{odd}, []string{odd}
	after := &note{ID: "0123456789abcdef", After: "touch '" + odd + "'", WorkDir: odd}
	for _, n := range []*note{n, after} {
		if _, err := k.put(n); err != nil {
			t.Fatal(err)
		}
		n.release() // as the system does when a run is killed
		got, err := takeNote(filepath.Join(dir, n.name()))
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Places) != len(n.Places) || len(n.Places) > 0 && (got.Places[0] != odd || got.Mounts[0] != odd) || got.After != n.After || got.WorkDir != n.WorkDir {
			t.Errorf("%+v, not %+v", got, n)
		}
		if err := got.remove(); err != nil && !os.IsNotExist(err) {
			t.Error(err)
		}
	}
}
