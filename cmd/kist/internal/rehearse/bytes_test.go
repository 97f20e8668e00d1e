package rehearse

import (
	"path/filepath"
	"testing"
)

// TestNoteBytes: a note keeps all bytes of the folder that is removed by it, also of one that is not UTF-8: 0xe9 is é in ISO 8859-1.
func TestNoteBytes(t *testing.T) {
	dir := t.TempDir()
	n := &note{Token: "0123", Scratch: filepath.Join(dir, "caf\xe9", prefix+"0123")}
	if err := n.write(dir); err != nil {
		t.Fatal(err)
	}
	n.release() // as the system does when a run is killed
	got, err := takeNote(n.file.Path())
	if err != nil {
		t.Fatal(err)
	}
	defer got.release()
	if got.Scratch != n.Scratch {
		t.Errorf("%+q, not %+q", got.Scratch, n.Scratch)
	}
}
