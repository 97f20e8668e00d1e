package rehearse

import (
	"os"
	"path/filepath"
	"testing"
)

// TestNoteIsAhead: nothing is made where it can't be noted first.
func TestNoteIsAhead(t *testing.T) {
	dir, above := t.TempDir(), t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	k := &Keeper{Folder: func() (string, error) { return filepath.Join(file, "state"), nil }}
	if p, err := k.Begin(above, nil, 0); err == nil {
		t.Errorf("%s was made without a note", p.Dir())
	}
	if made, err := os.ReadDir(above); err != nil || len(made) > 0 {
		t.Errorf("%v is left, %v", made, err)
	}
}
