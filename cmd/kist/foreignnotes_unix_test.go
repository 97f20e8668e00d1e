//go:build unix

package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
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
	a := &app{getenv: func(name string) string {
		if name == "XDG_STATE_HOME" {
			return dir
		}
		return ""
	}}
	if err := a.startLeftStopped(t.Context()); err == nil || !strings.Contains(err.Error(), "not used") {
		t.Errorf("got %v", err)
	}
	if _, err := os.Lstat(ran); err == nil {
		t.Error("the program that the note names was run")
	}
}
