package upgrade

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// journals lists what is at work, or was left.
func journals(t *testing.T, dir string) []string {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, journalNames))
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// TestFaults has each operation of an upgrade fail, in each way, be interrupted, and end the process. After that, and
// recovery where a journal was left, exactly one version runs, on its own data.
func TestFaults(t *testing.T) {
	for _, bad := range []bool{false, true} {
		for _, how := range []fault{failsBefore, failsAfter, failsForGood, killsBefore, killsAfter, interrupts} {
			t.Run(fmt.Sprintf("%s, bad %t", how, bad), func(t *testing.T) {
				for at := 1; ; at++ {
					if !faultAt(t, how, at, bad) {
						if at < 20 {
							t.Errorf("only %d operations: the test sees too little", at-1)
						}
						return
					}
					if t.Failed() {
						return
					}
				}
			})
		}
	}
}

// faultAt tries one; false says that there are no more.
func faultAt(t *testing.T, how fault, at int, bad bool) bool {
	dir := t.TempDir()
	m := newMachine(t)
	m.how, m.at, m.bad = how, at, bad
	var ctx context.Context
	ctx, m.cancel = context.WithCancel(t.Context())
	defer m.cancel()
	var o *Outcome
	var err error
	u, said := m.upgrader(dir)
	ended := m.try(func() { o, err = m.upgrade(ctx, u) })
	if o != nil && o.Outcome == Unfinished {
		said.WriteString("unfinished: " + err.Error())
	}
	if m.hit == "" {
		if !ended || bad == (err == nil) {
			t.Errorf("without a fault: %v", err)
		}
		return false
	}
	new, old := len(m.running()) == 1 && m.running()[0].image == "seedbank:4.2.0", len(m.running()) == 1 && m.running()[0].image == "seedbank:4.1.0"
	switch {
	case !ended:
	case err == nil && (!new || o.Outcome != Upgraded || bad):
		t.Errorf("%s: no error, and %+v", m.hit, o)
	case err != nil && how != failsForGood && !old && o.Outcome != Unfinished && o.Outcome != Upgraded:
		t.Errorf("%s: the old version does not run: %+v", m.hit, o)
	case how == interrupts && err != nil && len(journals(t, dir)) > 0:
		t.Errorf("%s: a journal was left by an interrupt", m.hit)
	}
	m.at, m.dead = 0, false
	if strings.Contains(said.String(), "restart policy") { // it says that the engine could not change it
		m.anyPolicy = true
	}
	first := said.String()
	u, said = m.upgrader(dir)
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil {
		t.Errorf("%s: recovery: %v", m.hit, err)
	}
	if left := journals(t, dir); len(left) > 0 {
		t.Errorf("%s: %q was left", m.hit, left)
	}
	if !released(m, first+said.String()) {
		t.Errorf("%s: the capture is held, and nobody says so", m.hit)
	}
	m.mustBeWhole(t)
	if t.Failed() {
		t.Errorf("at %d, %s: %v\n%s", at, m.hit, err, said)
	}
	return true
}

// released sees to it that a hold that could not be ended does not count: it was said how to end it.
func released(m *machine, said string) bool {
	if strings.Contains(said, "kist release k7f3 ends that") {
		clear(m.held)
	}
	return len(m.held) == 0
}

// TestKilledAgain ends the process in an upgrade that goes wrong, and then at each operation of the recovery.
func TestKilledAgain(t *testing.T) {
	for _, how := range []fault{killsBefore, failsAfter} {
		for first := 1; ; first++ {
			if testing.Short() && first%4 != 0 {
				continue
			}
			hit := false
			for second := 1; ; second++ {
				m := newMachine(t)
				m.bad, m.how, m.at = true, killsAfter, first
				dir := t.TempDir()
				u, _ := m.upgrader(dir)
				m.try(func() { m.upgrade(t.Context(), u) })
				if hit = m.hit != ""; !hit {
					break
				}
				m.dead, m.n, m.at, m.how, m.hit = false, 0, second, how, ""
				u, said := m.upgrader(dir)
				m.try(func() { u.Recover(t.Context(), Resuming{Again: true}) })
				if m.hit == "" {
					break
				}
				m.dead, m.at = false, 0
				again, said2 := m.upgrader(dir)
				if err := again.Recover(t.Context(), Resuming{Again: true}); err != nil || len(journals(t, dir)) > 0 {
					t.Errorf("%v, %q", err, journals(t, dir))
				}
				released(m, said.String()+said2.String())
				m.anyPolicy = strings.Contains(said.String()+said2.String(), "restart policy")
				m.mustBeWhole(t)
				if t.Failed() {
					t.Fatalf("killed at %d, then %s at %d, %s:\n%s\n%s", first, how, second, m.hit, said, said2)
				}
			}
			if !hit {
				break
			}
		}
	}
}

// TestJournalCantBeWritten: before anything is stopped that ends it, later it must not.
func TestJournalCantBeWritten(t *testing.T) {
	m := newMachine(t)
	dir := filepath.Join(t.TempDir(), "state")
	if err := os.WriteFile(dir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	u, _ := m.upgrader(dir)
	if o, err := m.upgrade(t.Context(), u); err == nil || o.Outcome != Unchanged {
		t.Errorf("%+v, %v", o, err)
	}
	m.mustBeWhole(t)
	if got := names(m); len(got) != 1 {
		t.Errorf("%q", got)
	}
}

// TestShareGoesAway: what runs then is the old version, or the new one until the data can be put back.
func TestShareGoesAway(t *testing.T) {
	for _, bad := range []bool{false, true} {
		dir := t.TempDir()
		m := newMachine(t)
		u, _ := m.upgrader(dir)
		e := u.Engine("engine")
		q := &Request{Engine: e, To: "seedbank:4.2.0", Repository: "/mnt/share/kist", Healthy: "false", AcceptUnhealthy: true}
		q.Container, _ = e.Inspect(t.Context(), "seedbank")
		q.Image, _ = e.Image(t.Context(), "seedbank:4.1.0")
		m.bad = bad
		o, err := u.Upgrade(t.Context(), q, goingAway{fakeData{m}})
		if err == nil || o.Outcome != Unfinished || !strings.Contains(err.Error(), "the share is gone") {
			t.Fatalf("%+v, %v", o, err)
		}
		run := m.running()
		if !bad && (len(run) != 1 || run[0].image != "seedbank:4.2.0" || run[0].name != "seedbank") {
			t.Errorf("%+v", run)
		}
		if len(m.kept) > 0 {
			t.Error("something was exchanged")
		}
		if c := m.find("seedbank"); bad && c.starts != 2 {
			t.Errorf("%s was started %d times: where neither runs, the new one is tried once more", c.image, c.starts)
		}
		if err := u.Recover(t.Context(), Resuming{Again: true}); err == nil {
			t.Error("recovery without the share")
		}
		m.noShare = false
		if err := u.Recover(t.Context(), Resuming{}); err != nil || len(journals(t, dir)) == 0 {
			t.Errorf("what failed for a reason that a person must mend is tried again by whoever comes along: %v", err)
		}
		if err := u.Recover(t.Context(), Resuming{Again: true}); !errors.Is(err, ErrUnwell) {
			t.Error(err)
		}
		m.mustBeWhole(t)
		if m.running()[0].image != "seedbank:4.1.0" {
			t.Error("the old version does not run")
		}
	}
}

// goingAway is a repository that can't be reached once the capture is held.
type goingAway struct{ fakeData }

func (d goingAway) Hold(ctx context.Context, r *Record) error {
	err := d.fakeData.Hold(ctx, r)
	d.m.noShare = true
	return err
}

// TestPutBackOnce: what the old version wrote since it runs again is not put away by a recovery.
func TestPutBackOnce(t *testing.T) {
	for at := 1; ; at++ {
		dir := t.TempDir()
		m := newMachine(t)
		m.bad, m.copies, m.how, m.at = true, true, killsAfter, at
		u, _ := m.upgrader(dir)
		m.try(func() { m.upgrade(t.Context(), u) })
		if m.hit == "" {
			return
		}
		m.dead, m.at = false, 0
		u, said := m.upgrader(dir)
		if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil {
			t.Error(err)
		}
		for _, what := range m.wrong {
			t.Errorf("killed after %d, %s: %s\n%s", at, m.hit, what, said)
		}
	}
}

// TestNeverBoth: neither version is started beside the other.
func TestNeverBoth(t *testing.T) {
	m := newMachine(t)
	m.containers["c1"] = &fakeContainer{id: "c1", name: "next", image: "seedbank:4.2.0"}
	u, _ := m.upgrader(t.TempDir())
	p := &pair{journal: &journal{Record: Record{Old: "c0", New: "c1"}}, engine: u.Engine("engine"), screen: u.Screen, every: u.Every}
	if err := p.startNew(t.Context()); err == nil || m.containers["c1"].running {
		t.Errorf("the new one was started: %v", err)
	}
}

// TestStartedByOthers: the engine started both when the machine did. The old one must not stay beside the new one.
func TestStartedByOthers(t *testing.T) {
	m := newMachine(t)
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	m.how, m.at = killsAfter, 1<<30
	m.try(func() {
		e := u.Engine("engine")
		q := &Request{Engine: e, To: ":4.2.0", Repository: "/mnt/share/kist"}
		q.Container, _ = e.Inspect(t.Context(), "seedbank")
		u.Upgrade(t.Context(), q, killsAtHold{fakeData{m}})
	})
	m.dead = false
	for _, c := range m.containers { // as the machine starts: nobody guards
		c.running, c.started = true, true
	}
	m.data = "of both"
	u, said := m.upgrader(dir)
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil {
		t.Error(err)
	}
	m.mustBeWhole(t)
	if !strings.Contains(said.String(), "on the data of capture k7f3") {
		t.Error(said)
	}
}

type killsAtHold struct{ fakeData }

func (d killsAtHold) Hold(ctx context.Context, r *Record) error {
	d.m.dead = true
	panic(killed{})
}
