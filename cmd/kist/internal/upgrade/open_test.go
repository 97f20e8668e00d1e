package upgrade

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// TestOpened: an upgrade that is not at its end is told, with whether a run is at work, and stays as it is. A journal
// that can't be read is told, too.
func TestOpened(t *testing.T) {
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	u := &Upgrader{Screen: screen.New(io.Discard, io.Discard), Folder: func() (string, error) { return dir, nil }}
	if all, err := u.Opened(); err != nil || len(all) != 0 {
		t.Errorf("%+v, %v", all, err)
	}
	began := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	j, err := begin(dir, Record{Step: Back, Began: began, Old: "old", Container: "seedbank", Up: "true"})
	if err != nil {
		t.Fatal(err)
	}
	for _, atWork := range []bool{true, false} {
		all, err := u.Opened()
		if err != nil || len(all) != 1 || all[0].AtWork() != atWork || all[0].Container != "seedbank" || all[0].Step != Back || !all[0].Began.Equal(began) {
			t.Errorf("%+v, %v", all, err)
		}
		j.release()
	}
	if len(journals(t, dir)) != 1 {
		t.Error("the journal is gone")
	}
	if err := os.WriteFile(filepath.Join(dir, "upgrade-other.json"), []byte("bean"), 0o600); err != nil {
		t.Fatal(err)
	}
	all, err := u.Opened()
	if unread, ok := errors.AsType[*UnreadError](err); !ok || len(all) != 1 || !strings.Contains(unread.Error(), "upgrade-other.json: it holds no whole line") {
		t.Errorf("%+v, %v", all, err)
	}
	// It does not hide the others from who would begin one.
	if _, err := begin(dir, Record{Step: Making, Old: "old", Container: "seedbank", Up: "true"}); !errors.Is(err, errBusy) {
		t.Error(err)
	}
}
