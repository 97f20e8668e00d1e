package kept

import (
	"path/filepath"
	"testing"
)

// TestBookBytes: the book keeps all bytes of paths, also of those that are not UTF-8 (0xe9 is é in ISO 8859-1), and each once.
func TestBookBytes(t *testing.T) {
	dir := t.TempDir()
	odd := filepath.Join(dir, "caf\xe9")
	b := Book{Folder: filepath.Join(dir, "state")}
	for range 2 {
		if err := b.NoteSingle(odd); err != nil {
			t.Fatal(err)
		}
	}
	lines, _, err := b.read()
	if err != nil || len(lines) != 1 || lines[0].Single != odd {
		t.Fatalf("%+v, %v", lines, err)
	}
	if err := b.NoteSingle(odd + "2"); err != nil {
		t.Fatal(err)
	}
	if err := b.forget(lines); err != nil {
		t.Fatal(err)
	}
	if lines, _, err = b.read(); err != nil || len(lines) != 1 || lines[0].Single != odd+"2" {
		t.Errorf("%+v, %v", lines, err)
	}
}
