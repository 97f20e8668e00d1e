package upgrade

import (
	"strings"
	"testing"
	"time"
)

// TestServiceFirst: what could not be resumed is told by the service's name first, and by no name of a file.
func TestServiceFirst(t *testing.T) {
	m := newMachine(t)
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	m.damaged, m.bad = true, true
	if o, err := m.upgrade(t.Context(), u); err == nil || o.Outcome != Unfinished {
		t.Fatalf("%+v, %v", o, err)
	}
	err := u.Recover(t.Context(), Resuming{Again: true})
	if err == nil || !strings.HasPrefix(err.Error(), "seedbank ") || strings.Contains(err.Error(), journalPath(dir, "c0")) {
		t.Error(err)
	}
	err = (&Record{Container: "seedbank", Image: "seedbank:4.2.0"}).named(&PlaceError{Place: "/srv/seedbank", Journal: "/state/upgrade-c0.json"})
	if err == nil || !strings.HasPrefix(err.Error(), "seedbank: ") || !strings.HasSuffix(err.Error(), "remove the journal /state/upgrade-c0.json") {
		t.Error(err)
	}
}

// TestHoldReason: what an upgrade holds a capture for is known as that, and nothing that a person would say.
func TestHoldReason(t *testing.T) {
	r := Record{Container: "seed\nbank\xff", Began: time.Date(2026, 3, 14, 2, 3, 5, 0, time.UTC)}
	if !IsHoldReason(r.HoldReason()) {
		t.Errorf("%q is not known", r.HoldReason())
	}
	for _, note := range []string{"", "before the move", "an upgrade of seedbank is at work"} {
		if IsHoldReason(note) {
			t.Errorf("%q is taken for an upgrade's", note)
		}
	}
}
