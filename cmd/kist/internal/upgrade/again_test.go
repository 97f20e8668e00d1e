package upgrade

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// newPolicyMachine has a service with a restart policy, of an engine that can't change it.
func newPolicyMachine(t *testing.T, policy string) *machine {
	m := newMachine(t)
	m.policy, m.noUpdate = policy, true
	m.containers["c0"].policy = policy
	return m
}

var policies = []string{"no", "on-failure", "on-failure:3", "always", "unless-stopped"}

// versions are how a new version may fare.
var versions = map[string]func(m *machine){
	"well":                     func(m *machine) {},
	"ruins the data, and ends": func(m *machine) { m.bad = true },
	"ends soon":                func(m *machine) { m.lasts = 3 },
	"ends once it was well":    func(m *machine) { m.lasts = 9 },
	"ends a little later":      func(m *machine) { m.lasts = 14 },
}

// between is how many operations lie between those at which the process ends: one with KIST_TEST_ROUNDS, a long run.
func between() int {
	switch {
	case os.Getenv("KIST_TEST_ROUNDS") != "":
		return 1
	case testing.Short():
		return 7
	}
	return 3
}

// TestPolicies ends the process at each operation of an upgrade, whatever restart policy the service has, of engines that
// change policies and of such as don't, and however the new version fares: in the end exactly one version runs, on its own
// data, and nothing comes up beside it.
func TestPolicies(t *testing.T) {
	for _, policy := range policies {
		for name, version := range versions {
			t.Run(policy+", "+name, func(t *testing.T) {
				for at := 0; ; at += between() {
					if !policyAt(t, policy, version, at, at%2 == 0) || t.Failed() {
						return
					}
				}
			})
		}
	}
}

// policyAt ends the process at an operation, 0 for none; false says that there are no more.
func policyAt(t *testing.T, policy string, version func(*machine), at int, obeys bool) bool {
	m := newPolicyMachine(t, policy)
	m.obeys = obeys
	version(m)
	m.how, m.at, m.cancel = killsAfter, at, func() {}
	dir := t.TempDir()
	u, said := m.upgrader(dir)
	var err error
	ended := m.try(func() { _, err = m.upgrade(t.Context(), u) })
	if c := m.find("seedbank"); ended && err == nil && !c.running { // what comes later is nobody's business here
		m.start(c)
	}
	hit := m.hit
	m.dead, m.at, m.lasts = false, 0, 0
	for _, c := range m.containers {
		if c.running { // from now on it stays up
			c.left = 0
		}
	}
	again, said2 := m.upgrader(dir)
	again.Report = func(_ string, came Result) {
		if c := m.find("seedbank"); came == Upgraded && !c.running {
			m.start(c)
		}
	}
	if err := again.Recover(t.Context(), Resuming{Again: true}); err != nil || len(journals(t, dir)) > 0 {
		t.Errorf("%v, %q", err, journals(t, dir))
	}
	clear(m.held) // that it ends is TestFaults' business
	m.mustBeWhole(t)
	if t.Failed() {
		t.Errorf("killed at %d, %s: %v\n%s\n%s", at, hit, err, said, said2)
	}
	return at == 0 || hit != ""
}

// TestHoldDown: a container that the engine starts again whenever it ends stands for good once it was stopped, also where the
// stop comes between two restarts.
func TestHoldDown(t *testing.T) {
	for _, policy := range policies[1:] {
		for _, wrote := range []bool{false, true} {
			for first := range 4 {
				m := newPolicyMachine(t, policy)
				m.bad, m.wrote, m.containers["c0"].running = true, wrote, false
				c := &fakeContainer{id: "c9", name: "seedbank", image: "seedbank:4.2.0", policy: policy, labels: map[string]string{"shelf": "north", engine.LabelImage: "seedbank:4.2.0"}}
				m.containers["c0"].name, m.containers["c9"] = "seedbank-before-x", c
				m.start(c)
				for range first {
					m.tick()
				}
				dir := t.TempDir()
				u, said := m.upgrader(dir)
				j, err := begin(dir, Record{Step: Back, Old: "c0", New: "c9", Container: "seedbank", Again: "seedbank-again-x", Touched: true})
				if err != nil {
					t.Fatal(err)
				}
				p := u.work(dir, j, u.Engine("engine")).side.(*pair)
				if err := p.stop(t.Context(), &p.New); err != nil {
					t.Error(err)
				}
				m.data = oldData
				for range 50 {
					m.tick()
				}
				if m.data != oldData || len(m.running()) > 0 || len(m.wrong) > 0 {
					t.Errorf("%s, wrote %t, from %d: data %q, %q, %+v\n%s", policy, wrote, first, m.data, m.wrong, m.running(), said)
				}
				if gone := m.find("seedbank") == nil; gone != (p.Lost != "") || gone && !wrote {
					t.Errorf("%s, wrote %t: gone %t, %q, %q\n%s", policy, wrote, gone, p.Lost, names(m), said)
				}
				j.release()
			}
		}
	}
}

// TestOldStartedAgain: the old version is never removed for what it wrote into itself; what can't be held down is said, and
// not called a service manager's doing.
func TestOldStartedAgain(t *testing.T) {
	m := newPolicyMachine(t, "always")
	m.wrote = true
	c := m.containers["c0"]
	m.delay = 1
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	j, err := begin(dir, Record{Step: Stopping, Old: "c0", Container: "seedbank", Again: "seedbank-again-x"})
	if err != nil {
		t.Fatal(err)
	}
	defer j.release()
	p := u.work(dir, j, u.Engine("engine")).side.(*pair)
	c.running, c.left = false, 0
	c.due = 1
	m.cycles = c
	err = p.stop(t.Context(), &p.Old)
	if err == nil || !strings.Contains(err.Error(), "by its restart policy always") || strings.Contains(fmt.Sprint(err), "service manager") || m.containers["c0"] == nil {
		t.Error(err)
	}
}

// TestUndoPolicies ends the process at each operation of an undo from a version that does not stay up.
func TestUndoPolicies(t *testing.T) {
	for _, policy := range policies {
		for _, bad := range []bool{false, true} {
			for at := 0; ; at += between() {
				if !undoPolicyAt(t, policy, bad, at) || t.Failed() {
					break
				}
			}
		}
	}
}

func undoPolicyAt(t *testing.T, policy string, bad bool, at int) bool {
	m := newPolicyMachine(t, policy)
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	c, err := u.Engine("engine").Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	if m.bad = bad; bad {
		m.data = "ruins"
		m.ends(m.containers[c.ID])
	}
	m.how, m.at, m.n, m.cancel = killsAfter, at, 0, func() {}
	u, said := m.upgrader(dir)
	m.try(func() {
		done, err := u.Made(c)
		if err == nil {
			_, err = u.Undo(t.Context(), u.Engine("engine"), c, done, fakeData{m})
		}
		if err != nil {
			t.Error(err)
		}
	})
	hit := m.hit
	m.dead, m.at = false, 0
	u, said2 := m.upgrader(dir)
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil || len(journals(t, dir)) > 0 {
		t.Errorf("%v, %q", err, journals(t, dir))
	}
	if run := m.running(); len(run) == 0 || run[0].image == "seedbank:4.2.0" { // it was killed before it began
		return at == 0 || hit != ""
	}
	m.mustBeWhole(t)
	if t.Failed() {
		t.Errorf("%s, bad %t, killed at %d, %s\n%s\n%s", policy, bad, at, hit, said, said2)
	}
	return at == 0 || hit != ""
}

// TestSaysMadeAgain: an upgrade that goes back says whether the old version runs in a container that was made once more; and one
// of which the engine tells what nobody knows is left as it is, and said to be.
func TestSaysMadeAgain(t *testing.T) {
	for _, odd := range []bool{false, true} {
		m := newPolicyMachine(t, "always")
		m.bad, m.odd = true, odd
		u, said := m.upgrader(t.TempDir())
		o, err := m.upgrade(t.Context(), u)
		if o.Outcome != WentBack || err == nil {
			t.Fatalf("%+v, %v", o, err)
		}
		m.mustRunOld(t)
		if stays := m.containers["c0"] != nil; stays != odd {
			t.Errorf("odd %t: the old container is there: %t", odd, stays)
		}
		if before, again := strings.Contains(err.Error(), "runs as before"), strings.Contains(err.Error(), "runs again, in a container that was made once more"); before != odd || again == odd {
			t.Errorf("odd %t: %v", odd, err)
		}
		warned := strings.Contains(said.String(), "WHEN THIS MACHINE STARTS, THE ENGINE MAY START CONTAINER c0") &&
			strings.Contains(said.String(), "FromTheFuture: true, would be false")
		if warned != odd {
			t.Errorf("odd %t: %s", odd, said)
		}
	}
}

// mustRunOld sees that the old version runs alone, on its own data.
func (m *machine) mustRunOld(t *testing.T) {
	t.Helper()
	if run := m.running(); len(run) != 1 || run[0].image != "seedbank:4.1.0" || m.data != oldData || len(m.wrong) > 0 {
		t.Errorf("%+v, data %q, %q", run, m.data, m.wrong)
	}
}
