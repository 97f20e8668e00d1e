package upgrade

import (
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// TestPending: an upgrade that is not at its end is told, with whether a run is at work, and stays as it is. A journal
// that can't be read is told, too.
func TestPending(t *testing.T) {
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	u := &Upgrader{Screen: screen.New(io.Discard, io.Discard), Folder: func() (string, error) { return dir, nil }}
	if all, err := u.Pending(); err != nil || len(all) != 0 {
		t.Errorf("%+v, %v", all, err)
	}
	began := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	j, err := begin(dir, Record{Step: Back, Began: began, Old: "old", Container: "seedbank", Up: "true"})
	if err != nil {
		t.Fatal(err)
	}
	want := Pending{Service: "seedbank", Began: began, Step: Back, AtWork: true}
	for _, want.AtWork = range []bool{true, false} {
		if all, err := u.Pending(); err != nil || len(all) != 1 || all[0] != want {
			t.Errorf("%+v, %v, want %+v", all, err, want)
		}
		j.release()
	}
	if len(journals(t, dir)) != 1 {
		t.Error("the journal is gone")
	}
	if err := os.WriteFile(filepath.Join(dir, "upgrade-other.json"), []byte("bean"), 0o600); err != nil {
		t.Fatal(err)
	}
	if all, err := u.Pending(); err == nil || len(all) != 1 {
		t.Errorf("%+v, %v", all, err)
	}
}
