package upgrade

import (
	"errors"
	"strings"
	"testing"
)

// TestPolicyNotTaken: a container that was made once more for its restart policy, and did not get it, takes nobody's place.
func TestPolicyNotTaken(t *testing.T) {
	m := newPolicyMachine(t, "always")
	m.noPolicy, m.anyPolicy = true, true
	u, said := m.upgrader(t.TempDir())
	if o, err := m.upgrade(t.Context(), u); err != nil || o.Outcome != Upgraded || !strings.Contains(said.String(), "it did not take the restart policy always") {
		t.Errorf("%+v, %v\n%s", o, err, said)
	}
	if c := m.find("seedbank"); c == nil || c.starts != 1 || c.image != "seedbank:4.2.0" {
		t.Errorf("%+v", c)
	}
	m.mustBeWhole(t)
}

// TestStillRuns: only what runs, and is not half made again, is as it was.
func TestStillRuns(t *testing.T) {
	for name, test := range map[string]struct {
		running bool
		is      string // the new one
		spent   *Spent
		want    bool
	}{
		"as it was":       {true, "c0", nil, true},
		"stands":          {false, "c0", nil, false},
		"another":         {true, "c7", nil, false},
		"half made again": {true, "c0", &Spent{"c0", "seedbank", "c7"}, false},
	} {
		m := newMachine(t)
		m.containers["c0"].running = test.running
		u, _ := m.upgrader(t.TempDir())
		p := &pair{journal: &journal{Record: Record{New: test.is, Spent: test.spent}}, engine: u.Engine("engine"), screen: u.Screen}
		if got := p.stillRuns(t.Context(), "c0"); got != test.want {
			t.Errorf("%s: %t", name, got)
		}
	}
}

// TestNotice: whether the data was touched goes by what the engine tells of the new version, until it is certain otherwise.
func TestNotice(t *testing.T) {
	for name, test := range map[string]struct {
		r             Record
		gone, started bool
		want          bool // touched
	}{
		"started by nobody":        {r: Record{Step: Starting, Touched: true}},
		"started by the engine":    {r: Record{Step: Captured}, started: true, want: true},
		"started by this upgrade":  {r: Record{Step: Starting, Touched: true}, started: true, want: true},
		"gone, was touched":        {r: Record{Step: Starting, Touched: true}, gone: true, want: true},
		"gone, was not":            {r: Record{Step: Captured}, gone: true},
		"ran in one since removed": {r: Record{Step: Starting, Touched: true, Ran: true}, want: true},
		"on the way back":          {r: Record{Step: Back, Touched: true}, want: true},
		"the data is put back":     {r: Record{Step: Returned, Touched: true}, want: true},
	} {
		m := newMachine(t)
		if !test.gone {
			m.containers["c9"] = &fakeContainer{id: "c9", name: "next", image: "seedbank:4.2.0", started: test.started, policy: "no"}
		}
		dir := t.TempDir()
		u, _ := m.upgrader(dir)
		r := test.r
		r.Old, r.New, r.Container = "c0", "c9", "seedbank"
		j, err := begin(dir, r)
		if err != nil {
			t.Fatal(err)
		}
		w := u.work(dir, j, u.Engine("engine"))
		if err := w.notice(t.Context()); err != nil || w.Touched != test.want {
			t.Errorf("%s: touched %t, %v", name, w.Touched, err)
		}
		j.release()
	}
}

// TestRetireOldEndsWhatBegan: a container that is half made again comes to its end before the old version is left down.
func TestRetireOldEndsWhatBegan(t *testing.T) {
	m := newPolicyMachine(t, "always")
	m.containers["c0"].running = false
	m.containers["c7"] = &fakeContainer{id: "c7", name: "seedbank-again-x", image: "seedbank:4.1.0", policy: "no", labels: map[string]string{labelUpgrade: "c0"}}
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	j, err := begin(dir, Record{Step: Captured, Container: "seedbank", Old: "c7", Before: "seedbank-before-x", Again: "seedbank-again-x", Spent: &Spent{"c0", "seedbank", "c7"}})
	if err != nil {
		t.Fatal(err)
	}
	defer j.release()
	p := u.work(dir, j, u.Engine("engine")).side.(*pair)
	if err := p.retireOld(t.Context()); err != nil || p.Spent != nil || m.containers["c0"] != nil || m.containers["c7"].name != "seedbank" {
		t.Errorf("%v, %+v, %q", err, p.Spent, names(m))
	}
}

// TestNewStays: where an upgrade is given up early and its container can't be removed, the journal stays, and says so.
func TestNewStays(t *testing.T) {
	m := newMachine(t)
	m.forgets, m.hidden, m.needed = true, true, map[string]bool{"c1": true}
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	_, err := m.upgrade(t.Context(), u)
	var lost *LossesError
	if !errors.As(err, &lost) || !strings.Contains(err.Error(), "kist resume does it") || len(journals(t, dir)) != 1 {
		t.Errorf("%v, %q", err, journals(t, dir))
	}
	m.needed = nil
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil || len(journals(t, dir)) > 0 || m.containers["c1"] != nil {
		t.Errorf("%v, %q, %q", err, journals(t, dir), names(m))
	}
}
