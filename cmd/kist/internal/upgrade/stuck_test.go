package upgrade

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestDamagedCapture: what can't be gone back to leaves what runs alone, once and however often it is tried.
func TestDamagedCapture(t *testing.T) {
	m := newMachine(t)
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	e := u.Engine("engine")
	q := &Request{Engine: e, To: ":4.2.0", Repository: "/mnt/share/kist", Healthy: "false", AcceptUnhealthy: true}
	q.Container, _ = e.Inspect(t.Context(), "seedbank")
	q.Image, _ = e.Image(t.Context(), "seedbank:4.1.0")
	m.damaged = true
	o, err := u.Upgrade(t.Context(), q, fakeData{m})
	if err == nil || o.Outcome != Unfinished || !strings.Contains(err.Error(), "frame 3 is damaged") {
		t.Fatalf("%+v, %v", o, err)
	}
	asked := m.n
	u, said := m.upgrader(dir)
	if err := u.Recover(t.Context(), Resuming{}); err != nil || m.n != asked || !strings.Contains(said.String(), "seedbank: its upgrade to seedbank:4.2.0 is open; kist resume tries it again") {
		t.Errorf("%d operations more: %v, %s", m.n-asked, err, said)
	}
	if err := u.Recover(t.Context(), Resuming{Again: true}); err == nil {
		t.Error("it went back all the same")
	}
	if run := m.running(); len(run) != 1 || run[0].image != "seedbank:4.2.0" || run[0].starts != 1 || len(m.kept) > 0 {
		t.Errorf("%+v; kept %q", run, m.kept)
	}
	m.damaged = false
	if err := u.Recover(t.Context(), Resuming{Again: true}); !errors.Is(err, ErrUnwell) { // as "false" says of any
		t.Error(err)
	}
	m.mustBeWhole(t)
}

// TestUndoDamaged: an undo that can't be is none: nothing is stopped, and no journal stays.
func TestUndoDamaged(t *testing.T) {
	m := newMachine(t)
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	e := u.Engine("engine")
	c, _ := e.Inspect(t.Context(), "seedbank")
	done, err := u.Made(c)
	if err != nil {
		t.Fatal(err)
	}
	m.damaged = true
	o, err := u.Undo(t.Context(), e, c, done, fakeData{m})
	if err == nil || o.Outcome != Unchanged || o.Runs != "seedbank:4.2.0" || !strings.Contains(err.Error(), "Nothing was stopped") {
		t.Errorf("%+v, %v", o, err)
	}
	if starts := m.containers[c.ID].starts; starts != 1 || len(journals(t, dir)) > 0 {
		t.Errorf("started %d times; %q", starts, journals(t, dir))
	}
	m.mustBeWhole(t)
	m.damaged = false
	if _, err := u.Undo(t.Context(), e, c, done, fakeData{m}); err != nil {
		t.Error(err)
	}
	m.mustBeWhole(t)
}

// TestUndoOnce: an upgrade that was undone is not undone once more, also where its record could not be removed.
func TestUndoOnce(t *testing.T) {
	m := newMachine(t)
	dir := t.TempDir()
	u, _ := m.upgrader(dir)
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	e := u.Engine("engine")
	c, _ := e.Inspect(t.Context(), "seedbank")
	done, err := u.Made(c)
	if err != nil {
		t.Fatal(err)
	}
	record := donePath(dir, c.ID)
	// The process ends right before the record is removed.
	was := syncFolder
	flushed := 0
	syncFolder = func(path string) error {
		if _, err := os.Stat(record); errors.Is(err, os.ErrNotExist) {
			flushed++
		}
		return was(path)
	}
	defer func() { syncFolder = was }()
	kept := filepath.Join(dir, "kept")
	if err := os.Link(record, kept); err != nil {
		t.Fatal(err)
	}
	if _, err := u.Undo(t.Context(), e, c, done, fakeData{m}); err != nil {
		t.Fatal(err)
	}
	if flushed == 0 {
		t.Error("that the record is gone was not flushed")
	}
	if err := os.Rename(kept, record); err != nil {
		t.Fatal(err)
	}
	if _, err := u.Made(c); !errors.Is(err, ErrNoUpgrade) {
		t.Errorf("it would be undone again: %v", err)
	}
}

// TestNewContainerCantStart: until its time the new container has no restart policy; also with an engine that can't
// change one, after faults too.
func TestNewContainerCantStart(t *testing.T) {
	for _, how := range []fault{none, failsBefore, failsAfter, killsBefore, killsAfter, interrupts} {
		for at := 1; ; at++ {
			if testing.Short() && at%3 != 0 && how != none {
				continue
			}
			dir := t.TempDir()
			m := newMachine(t)
			m.noUpdate, m.anyPolicy, m.how, m.at = true, true, how, at
			m.cancel = func() {}
			u, _ := m.upgrader(dir)
			var err error
			ended := m.try(func() { _, err = m.upgrade(t.Context(), u) })
			hit := m.hit
			if how == none && (!ended || err != nil || m.running()[0].policy != "always") {
				t.Errorf("%v, %+v", err, m.running())
			}
			m.at, m.dead = 0, false
			u, said := m.upgrader(dir)
			if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil {
				t.Error(err)
			}
			released(m, said.String())
			clear(m.held) // that it ends is TestFaults' business
			m.mustBeWhole(t)
			if t.Failed() {
				t.Fatalf("%s at %d, %s: %v\n%s", how, at, hit, err, said)
			}
			if hit == "" || how == none {
				break
			}
		}
	}
}

// TestMadeOnceMore: a new container that was made once more, by a run that was killed before it wrote down its id, is found by
// its name and label.
func TestMadeOnceMore(t *testing.T) {
	m := newMachine(t)
	m.containers["c2"] = &fakeContainer{id: "c2", name: "seedbank-next-x", image: "seedbank:4.2.0", labels: map[string]string{labelUpgrade: "c0"}}
	u, _ := m.upgrader(t.TempDir())
	p := &pair{journal: &journal{Record: Record{Old: "c0", New: "c1", Next: "seedbank-next-x"}}, engine: u.Engine("engine"), screen: u.Screen}
	if err := p.removeNew(t.Context()); err != nil || m.containers["c2"] != nil {
		t.Errorf("it is left: %v", err)
	}
}

// TestStartedEarly: a new container that the engine started before its time, and that a run which was killed left, is stopped
// and kept, since the engine removes none that runs.
func TestStartedEarly(t *testing.T) {
	m := newMachine(t)
	dir := t.TempDir()
	m.containers["c1"] = &fakeContainer{id: "c1", name: "seedbank-next-x", image: "seedbank:4.2.0", policy: "no", running: true, started: true, starts: 1,
		labels: map[string]string{labelUpgrade: "c0"}}
	j, err := begin(dir, Record{Step: Making, Container: "seedbank", Engine: "engine", Old: "c0", Next: "seedbank-next-x", Failed: "seedbank-failed-x"})
	if err != nil {
		t.Fatal(err)
	}
	j.release()
	u, said := m.upgrader(dir)
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil || len(journals(t, dir)) > 0 {
		t.Errorf("%v, %q", err, journals(t, dir))
	}
	if c := m.containers["c1"]; c == nil || c.running || c.name != "seedbank-failed-x" || !strings.Contains(said.String(), "was started, and not by kist") {
		t.Errorf("%+v, %s", c, said)
	}
	m.mustBeWhole(t)
}

// TestLongJournal: of one that was written again and again its end counts.
func TestLongJournal(t *testing.T) {
	dir := t.TempDir()
	j, err := begin(dir, Record{Step: Making, Old: "c0", Container: "seedbank"})
	if err != nil {
		t.Fatal(err)
	}
	line, _ := json.Marshal(Record{Step: Stopping, Old: "c0", Container: "seedbank"})
	if err := j.file.Add(bytes.Repeat(append(line, '\n'), maxJournal/len(line)+2)); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(j.step(Back), j.release()); err != nil {
		t.Fatal(err)
	}
	again, err := take(journalPath(dir, "c0"))
	if err != nil || again.Step != Back {
		t.Fatalf("%+v, %v", again, err)
	}
	again.release()
}

// TestJournalOfAnother: a journal under the name of another container is not carried out.
func TestJournalOfAnother(t *testing.T) {
	m := newMachine(t)
	dir := t.TempDir()
	j, err := begin(dir, Record{Step: Stopping, Container: "seedbank", Engine: "engine", Old: "c0"})
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(j.release(), os.Rename(journalPath(dir, "c0"), journalPath(dir, "c7"))); err != nil {
		t.Fatal(err)
	}
	u, _ := m.upgrader(dir)
	if err := u.Recover(t.Context(), Resuming{Again: true}); err == nil || m.n > 0 {
		t.Errorf("%d operations: %v", m.n, err)
	}
}

// TestHeldYet: a hold that could not be ended is told, with how to end it, and changes nothing else.
func TestHeldYet(t *testing.T) {
	m := newMachine(t)
	u, said := m.upgrader(t.TempDir())
	e := u.Engine("engine")
	q := &Request{Engine: e, To: ":4.2.0", Repository: "/mnt/share/kist"}
	q.Container, _ = e.Inspect(t.Context(), "seedbank")
	o, err := u.Upgrade(t.Context(), q, goingAway{fakeData{m}})
	if err != nil || o.Outcome != Upgraded || !strings.Contains(said.String(), "capture k7f3 is held yet; kist release k7f3 ends that: the share is gone") {
		t.Errorf("%+v, %v, %s", o, err, said)
	}
}
