package upgrade

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// TestRecoverInOddFolder finds journals in a folder whose name looks like a pattern.
func TestRecoverInOddFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state[1]")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	j, err := begin(dir, Record{Step: Making, Old: "old", Container: "seedbank", Up: "true"})
	if err != nil {
		t.Fatal(err)
	}
	j.release()
	u := &Upgrader{
		Screen: screen.New(io.Discard, io.Discard), Folder: func() (string, error) { return dir, nil },
		Engine: func(string) *engine.Engine { return nil },
	}
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Lstat(journalPath(dir, "old")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the journal was not found: %v", err)
	}
}

// TestRefusedJournalIsGone leaves no journal of what was refused, as the next run would carry it out.
func TestRefusedJournalIsGone(t *testing.T) {
	dir, refused := t.TempDir(), errors.New("input/output error")
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	was := syncFolder
	syncFolder = func(string) error { return refused }
	defer func() { syncFolder = was }()
	if _, err := begin(dir, Record{Step: Back, Undoing: true, Touched: true, Old: "old", New: "new"}); !errors.Is(err, refused) {
		t.Fatalf("begin: %v", err)
	}
	if left := journals(t, dir); len(left) > 0 {
		t.Errorf("%q was left", left)
	}
}

// TestUndoBesideRunning refuses to go back where the old container runs already: both versions may have written.
func TestUndoBesideRunning(t *testing.T) {
	m := newMachine(t)
	u, _ := m.upgrader(t.TempDir())
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	e := u.Engine("engine")
	c, err := e.Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	done, err := u.Made(c)
	if err != nil {
		t.Fatal(err)
	}
	for _, old := range m.containers {
		if old.id == done.Old {
			old.running = true
		}
	}
	data := m.data
	if o, err := u.Undo(t.Context(), e, c, done, fakeData{m}); err == nil {
		t.Errorf("no error, and %+v", o)
	}
	if m.data != data || len(m.kept) > 0 || len(m.running()) != 2 {
		t.Errorf("something was done: data %q, kept %q, running %d", m.data, m.kept, len(m.running()))
	}
}

// TestTouchedIsNotedFirst has the journal say that the new version may have been started, by commands of which nothing
// else tells that, before they are run: else a kill then starts the old one on the new one's data.
func TestTouchedIsNotedFirst(t *testing.T) {
	dir, seen := filepath.Join(t.TempDir(), "state"), filepath.Join(t.TempDir(), "seen")
	m := newMachine(t)
	u, _ := m.upgrader(dir)
	q := &ByCommands{
		Name: "seedbank", From: "4.1.0", To: "4.2.0", Places: []string{"/data"}, Healthy: "true", Down: "true",
		Up: "cp '" + journalPath(dir, keyOf("seedbank")) + "' '" + seen + "'",
	}
	if _, err := u.UpgradeByCommands(t.Context(), q, fakeData{m}); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(seen)
	if err != nil {
		t.Fatal(err)
	}
	if j, err := lastLine(text); err != nil || j.Step != Starting || !j.Touched || j.Capture == "" {
		t.Errorf("%v; step %s, touched %t, capture %q", err, j.Step, j.Touched, j.Capture)
	}
}

// TestCommandsInTheirFolder goes back, from another folder, by commands that were given as paths from the first one.
func TestCommandsInTheirFolder(t *testing.T) {
	dir, first := filepath.Join(t.TempDir(), "state"), t.TempDir()
	m := newMachine(t)
	u, _ := m.upgrader(dir)
	q := &ByCommands{
		Name: "seedbank", From: "4.1.0", To: "4.2.0", Places: []string{"/data"},
		Down: "echo down >> said", Up: "echo up $KIST_VERSION >> said", Healthy: "test -e said", AcceptUnhealthy: true,
	}
	t.Chdir(first)
	if _, err := u.UpgradeByCommands(t.Context(), q, fakeData{m}); err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	done, err := u.MadeByCommands("seedbank")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := u.UndoByCommands(t.Context(), done, fakeData{m}); err != nil {
		t.Error(err)
	}
	said, err := os.ReadFile(filepath.Join(first, "said"))
	if err != nil || string(said) != "down\nup 4.2.0\ndown\nup 4.1.0\n" {
		t.Errorf("%q, %v", said, err)
	}
}
