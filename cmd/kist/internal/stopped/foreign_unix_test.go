//go:build unix

package stopped

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// A note in a folder where others can write may name any program.
func TestForeignStopNotes(t *testing.T) {
	dir := t.TempDir()
	notes, ran := filepath.Join(dir, "kist"), filepath.Join(dir, "ran")
	program := filepath.Join(dir, "program")
	for path, text := range map[string]string{
		program:                                  "#!/bin/sh\n>'" + ran + "'\n",
		filepath.Join(notes, "stopped-abc.json"): `{"container":"c","id":"abc","engine":"` + program + `"}`,
	} {
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Chmod(notes, 0o777); err != nil {
		t.Fatal(err)
	}
	k := &Keeper{Folder: func() (string, error) { return notes, nil }, Engine: engine.New}
	if err := k.StartLeft(t.Context()); err == nil || !strings.Contains(err.Error(), "not used") {
		t.Errorf("got %v", err)
	}
	if _, err := os.Lstat(ran); err == nil {
		t.Error("the program that the note names was run")
	}
}
