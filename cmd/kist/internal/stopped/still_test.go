//go:build unix

package stopped

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// logged gives a keeper, commands that write a line each, and what reads them.
func logged(t *testing.T) (*Keeper, Commands, func() string) {
	t.Helper()
	k, _, _, _ := newKeeper(t)
	path := filepath.Join(t.TempDir(), "log")
	return k, Commands{Before: "echo before >>'" + path + "'", After: "echo after >>'" + path + "'"}, func() string {
		b, _ := os.ReadFile(path)
		os.Remove(path)
		return strings.Join(strings.Fields(string(b)), " ")
	}
}

// TestWhileStill: the second command is run after whatever happens.
func TestWhileStill(t *testing.T) {
	k, c, log := logged(t)
	fault := errors.New("a fault")
	for name, do := range map[string]func(context.Context) error{
		"done":  func(context.Context) error { return nil },
		"error": func(context.Context) error { return fault },
		"panic": func(context.Context) error { panic(fault) },
	} {
		func() {
			defer func() { recover() }()
			if err := k.WhileStill(t.Context(), c, do); (err == nil) != (name == "done") {
				t.Errorf("%s: %v", name, err)
			}
		}()
		if got := log(); got != "before after" {
			t.Errorf("%s: %q", name, got)
		}
		dir, _ := k.Folder()
		if left, _ := os.ReadDir(dir); len(left) > 0 {
			t.Errorf("%s: %v is left", name, left)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	err := k.WhileStill(ctx, c, func(ctx context.Context) error { cancel(); return ctx.Err() })
	if got := log(); got != "before after" || !errors.Is(err, context.Canceled) {
		t.Errorf("interrupted: %q, %v", got, err)
	}
	c.Before += "; exit 1"
	err = k.WhileStill(t.Context(), c, func(context.Context) error { t.Error("it went on"); return nil })
	if got := log(); got != "before after" || err == nil {
		t.Errorf("failed: %q, %v", got, err)
	}
}

// TestNoteOfCommand: what another run holds still is left alone, and what one that was killed
// held is let go, in the folder where that run was called.
func TestNoteOfCommand(t *testing.T) {
	k, c, log := logged(t)
	home := t.TempDir()
	t.Chdir(home)
	c.After += "; touch here"
	err := k.WhileStill(t.Context(), c, func(ctx context.Context) error {
		if err := k.StartLeft(ctx); err != nil || log() != "before" {
			t.Errorf("%v, and it was let go", err)
		}
		if err := k.WhileStill(ctx, c, nil); err == nil {
			t.Error("two runs hold one thing still")
		}
		return nil
	})
	if err != nil || log() != "after" {
		t.Error(err)
	}
	os.Remove("here")
	if _, _, err := k.note(c); err != nil {
		t.Fatal(err)
	}
	closeNotes(t, k)
	t.Chdir(t.TempDir())
	if err := k.StartLeft(t.Context()); err != nil || log() != "after" {
		t.Error(err)
	}
	if _, err := os.Stat(filepath.Join(home, "here")); err != nil {
		t.Error(err)
	}
}

// closeNotes leaves the notes as those of a run that was killed: none is locked.
func closeNotes(t *testing.T, k *Keeper) {
	t.Helper()
	dir, _ := k.Folder()
	found, _ := filepath.Glob(filepath.Join(dir, "*.json"))
	if len(found) == 0 {
		t.Fatal("no note")
	}
	for _, path := range found {
		b, err := os.ReadFile(path)
		if err == nil {
			err = errors.Join(os.Remove(path), os.WriteFile(path, b, 0o600))
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// TestLastComesFirst: what was held still last is let go first, whatever its note is called.
func TestLastComesFirst(t *testing.T) {
	for _, want := range []string{"a b", "b a"} {
		k, c, log := logged(t)
		for _, id := range []string{"a", "b"} {
			after := strings.Replace(c.After, "after", id, 1)
			began := time.Unix(int64(1000-strings.Index(want, id)), 0)
			n, err := k.put(&note{ID: id, Stopped: began, After: after, WorkDir: t.TempDir()})
			if err != nil {
				t.Fatal(err)
			}
			n.release()
		}
		if err := k.StartLeft(t.Context()); err != nil {
			t.Error(err)
		}
		if got := log(); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
}
