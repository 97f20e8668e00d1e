package upgrade

import (
	"fmt"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// TestRemadeByHand ends the process at each operation of an upgrade. Then somebody makes the service's container
// anew by hand, and starts it, before kist is run again: no second version is started beside it, and its data stays.
func TestRemadeByHand(t *testing.T) {
	for _, bad := range []bool{false, true} {
		for _, removed := range []bool{false, true} {
			for at := 1; ; at++ {
				m := newMachine(t)
				m.bad, m.how, m.at = bad, killsAfter, at
				dir := t.TempDir()
				u, _ := m.upgrader(dir)
				m.try(func() { m.upgrade(t.Context(), u) })
				if m.hit == "" {
					break
				}
				m.at, m.dead = 0, false
				if len(journals(t, dir)) == 0 || len(m.running()) > 0 {
					continue // it is well, or nobody needs to do anything by hand
				}
				if c := m.containers["c0"]; c != nil && removed {
					delete(m.containers, c.id)
				} else if c != nil && c.name == "seedbank" {
					c.name = "seedbank-aside"
				}
				if c := m.find("seedbank"); c != nil {
					c.name = "seedbank-tried"
				}
				m.containers["c9"] = &fakeContainer{id: "c9", name: "seedbank", image: "seedbank:4.1.0", policy: "always", running: true, started: true, starts: 1}
				m.data = oldData
				m.captures["x"] = "" // not read
				kept := len(m.kept)
				u, _ = m.upgrader(dir)
				err := u.Recover(t.Context(), Resuming{Again: true})
				what := fmt.Sprintf("bad %t, removed %t, at %d (%s)", bad, removed, at, m.hit)
				for _, wrong := range m.wrong {
					t.Errorf("%s: %s", what, wrong)
				}
				if len(m.running()) != 1 || !m.containers["c9"].running || len(m.kept) != kept || m.data != oldData {
					t.Errorf("%s: %d run, data %q, kept %q: %v", what, len(m.running()), m.data, m.kept, err)
				}
			}
		}
	}
}

// TestEverStarted: a container that ran is told by when it was started, too. When the machine starts, some releases of
// engines take all containers for such as were only made.
func TestEverStarted(t *testing.T) {
	for _, test := range []struct {
		state engine.State
		want  bool
	}{
		{engine.State{Status: "created", Started: "0001-01-01T00:00:00Z"}, false},
		{engine.State{Status: "created"}, false},
		{engine.State{Status: "exited", Started: "2026-03-14T02:03:05Z"}, true},
		{engine.State{Status: "configured", Started: "2026-03-14T02:03:05Z"}, true},
	} {
		if got := everStarted(&engine.Container{State: test.state}); got != test.want {
			t.Errorf("%+v: got %t", test.state, got)
		}
	}
}
