package upgrade

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestOtherCommandThatFails: a command that is given in the place of another and fails does not stay in its place.
func TestOtherCommandThatFails(t *testing.T) {
	m := newMachine(t)
	m.containers = nil
	dir, ok := filepath.Join(t.TempDir(), "state"), filepath.Join(t.TempDir(), "ok")
	u, _ := m.upgrader(dir)
	up := "test $KIST_VERSION = 4.2.0 && exit 1; test -e '" + ok + "'"
	q := &ByCommands{Name: "seedbank", From: "4.1.0", To: "4.2.0", Places: []string{"/data"}, Healthy: "true", Down: "true", Up: up}
	if o, err := u.UpgradeByCommands(t.Context(), q, fakeData{m}); err == nil || o.Outcome != Unfinished {
		t.Fatalf("%+v, %v", o, err)
	}
	if err := u.Recover(t.Context(), Resuming{Again: true, Up: "no-such-program"}); err == nil || !strings.Contains(err.Error(), "no-such-program") {
		t.Fatal(err)
	}
	open, err := openIn(dir)
	if err != nil || len(open) != 1 || open[0].Up != up || open[0].Down != "true" {
		t.Fatalf("%+v, %v", open, err)
	}
	if err := os.WriteFile(ok, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil || len(journals(t, dir)) > 0 {
		t.Error(err, journals(t, dir))
	}
}
