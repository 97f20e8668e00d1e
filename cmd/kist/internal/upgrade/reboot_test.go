package upgrade

import (
	"strings"
	"testing"
)

// reboot has the machine start anew: the engine starts what its policy says, in the order of ids.
func (m *machine) reboot() {
	ran := map[string]bool{}
	for id, c := range m.containers {
		ran[id] = c.running || c.due > 0
		c.running, c.due, c.left = false, 0, 0
	}
	for id, c := range m.containers {
		if c.policy != "always" && (c.policy != "unless-stopped" || !ran[id]) {
			continue
		}
		if c.image == "seedbank:4.2.0" && m.data == oldData {
			m.wrong = append(m.wrong, c.name+", of 4.2.0, is started with the machine on "+m.data)
		}
		m.start(c)
	}
}

// TestReboot: the machine starts anew at each operation of an upgrade, and of an undo. What the engine starts then is one
// version at most, on its own data; afterwards all is brought to its end.
func TestReboot(t *testing.T) {
	step := min(2, between())
	for _, noUpdate := range []bool{false, true} {
		for _, policy := range []string{"always", "unless-stopped"} {
			for name, version := range map[string]func(m *machine){
				"well":                     versions["well"],
				"ruins the data, and ends": versions["ruins the data, and ends"],
				"ends once it was well":    versions["ends once it was well"],
			} {
				for at := 1; !t.Failed() && rebootAt(t, policy, noUpdate, version, at); at += step {
				}
				if t.Failed() {
					t.Fatalf("%s, no update %t, %s", policy, noUpdate, name)
				}
			}
			for at := 1; !t.Failed() && undoRebootAt(t, policy, noUpdate, at); at += step {
			}
		}
	}
}

func rebootAt(t *testing.T, policy string, noUpdate bool, version func(*machine), at int) bool {
	m := newPolicyMachine(t, policy)
	m.noUpdate = noUpdate
	version(m)
	m.how, m.at, m.cancel = killsAfter, at, func() {}
	dir := t.TempDir()
	u, said := m.upgrader(dir)
	m.try(func() { m.upgrade(t.Context(), u) })
	return m.recoverAfterReboot(dir, at, said)
}

func undoRebootAt(t *testing.T, policy string, noUpdate bool, at int) bool {
	m := newPolicyMachine(t, policy)
	m.noUpdate = noUpdate
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	c, err := u.Engine("engine").Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	m.how, m.at, m.n, m.cancel = killsAfter, at, 0, func() {}
	u, said := m.upgrader(dir)
	m.try(func() {
		if done, err := u.Made(c); err == nil {
			u.Undo(t.Context(), u.Engine("engine"), c, done, fakeData{m})
		}
	})
	return m.recoverAfterReboot(dir, at, said)
}

// TestRebootWithLayer: a container that can't be made again without its policy is said to be one that the engine may start,
// once, before the other version is.
func TestRebootWithLayer(t *testing.T) {
	m := newPolicyMachine(t, "always")
	m.wrote = true
	u, said := m.upgrader(t.TempDir())
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	warned, started, _ := strings.Cut(said.String(), "Starting seedbank from")
	if !strings.Contains(warned, "WHEN THIS MACHINE STARTS, THE ENGINE MAY START CONTAINER c0, which is set aside as seedbank-before-") || !strings.Contains(warned, "engine rm c0 (") || strings.Contains(started, "WHEN THIS MACHINE STARTS") {
		t.Error(said)
	}
}

// recoverAfterReboot tells whether the operation was there at which the machine starts anew.
func (m *machine) recoverAfterReboot(dir string, at int, said *strings.Builder) bool {
	t := m.t
	if m.hit == "" {
		return false
	}
	m.dead, m.at, m.lasts = false, 0, 0
	m.reboot()
	if len(m.wrong) > 0 {
		t.Errorf("at %d, %s: %q\n%s", at, m.hit, m.wrong, said)
		return true
	}
	u, said2 := m.upgrader(dir)
	u.Report = func(_ string, came Result) {
		if c := m.find("seedbank"); came == Upgraded && !c.running {
			m.start(c) // by hand: it was found well
		}
	}
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil || len(journals(t, dir)) > 0 {
		t.Errorf("%v, %q", err, journals(t, dir))
	}
	if c := m.find("seedbank"); len(m.running()) == 0 && c != nil { // nothing was open
		m.start(c)
	}
	clear(m.held)
	m.mustBeWhole(t)
	if t.Failed() {
		t.Errorf("at %d, %s\n%s\n%s", at, m.hit, said, said2)
	}
	return true
}
