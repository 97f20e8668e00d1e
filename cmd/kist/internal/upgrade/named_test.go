package upgrade

import (
	"errors"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
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

// TestNamesMakeNoLines: whatever becomes of an upgrade, of going back and of an undo, no text has a line that the name of a
// container began, nor what steers a terminal.
func TestNamesMakeNoLines(t *testing.T) {
	const odd = "seed\nFALSE bank\r\n\tFALSE\u2028FALSE\x1b[2K\u202e"
	for _, test := range []struct {
		name string
		with func(m *machine)
	}{
		{"well", func(m *machine) {}},
		{"bad", func(m *machine) { m.bad = true }},
		{"damaged", func(m *machine) { m.bad, m.damaged = true, true }},
		{"settings are lost", func(m *machine) { m.containers["c0"].labels[odd], m.forgets = odd, true }},
		{"its layer is lost", func(m *machine) { m.noUpdate, m.wrote = true, true }},
		{"does not run", func(m *machine) { m.containers["c0"].running = false }},
		{"does not stay down", func(m *machine) { m.cycles, m.noUpdate, m.wrote = m.containers["c0"], true, true }},
		{"a name is taken", func(m *machine) {
			for at := range 30 {
				id := "taken" + strconv.Itoa(at)
				m.containers[id] = &fakeContainer{id: id, name: odd + "-before-" + stamp(time.Now().Add(time.Duration(at)*time.Second)), image: "seedbank:4.1.0"}
			}
		}},
	} {
		m := newMachine(t)
		m.containers["c0"].name = odd
		test.with(m)
		dir := t.TempDir()
		u, said := m.upgrader(dir)
		var errs []error
		tell := func(err error) { errs = append(errs, err) }
		e := u.Engine("engine")
		upgrade := func(to string) {
			c, err := e.Inspect(t.Context(), odd)
			tell(err)
			if err == nil {
				q := &Request{Engine: e, Container: c, To: to, Repository: "/mnt/share/kist"}
				tell(u.CheckMadeContainer(q))
				_, err = u.Upgrade(t.Context(), q, fakeData{m})
				tell(err)
			}
		}
		upgrade("seedbank:4.2.0")
		upgrade("seedbank:4.2.0")
		upgrade("seedbank:4.1.0")
		upgrade("9\nFALSE")
		if c, err := e.Inspect(t.Context(), odd); err == nil {
			done, err := u.Made(c)
			tell(err)
			if err == nil {
				for _, there := range []bool{true, false} {
					old := m.containers["c0"]
					if old.running = there; !there {
						delete(m.containers, "c0")
					}
					_, err = u.Undo(t.Context(), e, c, done, fakeData{m})
					tell(err)
				}
			}
		}
		tell(u.Recover(t.Context(), Resuming{Again: true}))
		tell((&Record{Container: odd, Image: odd}).named(errors.New("it ended")))
		tell(&LossesError{odd, []string{odd}})
		tell(&AgainError{odd, "no", "engine"})
		tell(&AgainError{odd, "always", "engine"})
		tell(&NotWellError{odd, "it says no"})
		tell(&TagError{odd})
		tell(&FetchError{Image: odd})
		tell(&PlaceError{Place: odd, Kept: odd})
		tell(&MadeError{Service: odd, Runs: odd, Before: odd, From: odd, To: odd})
		text := said.String()
		for _, err := range errs {
			if err != nil {
				text += "\n" + screen.Text(err.Error()) // as errors are printed
			}
		}
		if !strings.Contains(text, `seed\nFALSE`) || strings.ContainsAny(text, "\r\x1b\u2028\u202e") {
			t.Errorf("%s: %s", test.name, text)
		}
		for line := range strings.Lines(text) {
			if strings.HasPrefix(strings.TrimLeft(line, " \t"), "FALSE") {
				t.Errorf("%s: a name made a line:\n%s", test.name, text)
			}
		}
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
