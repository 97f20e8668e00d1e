package upgrade

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// onlyAside gives the one container that is set aside.
func onlyAside(t *testing.T, u *Upgrader) *SetAside {
	t.Helper()
	all, err := u.SetAside(t.Context())
	if err != nil || len(all) != 1 {
		t.Fatalf("%+v, %v", all, err)
	}
	return &all[0]
}

// TestSetAside: what an upgrade, one that failed, and an undo set aside is listed, and removed only where nothing needs it.
func TestSetAside(t *testing.T) {
	dir := t.TempDir()
	m := newMachine(t)
	u, _ := m.upgrader(dir)
	if all, err := u.SetAside(t.Context()); err != nil || len(all) > 0 {
		t.Fatalf("at first: %+v, %v", all, err)
	}
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	old := onlyAside(t, u)
	if old.ID != "c0" || old.Name != m.containers["c0"].name || old.Of != "seedbank" || old.Image != "seedbank:4.1.0" || old.Needed != NeededUndo || old.Running || old.Since.IsZero() {
		t.Errorf("%+v", old)
	}
	if err := u.RemoveAside(t.Context(), old, false); !errors.Is(err, ErrNeededUndo) {
		t.Errorf("what an undo needs: %v", err)
	}
	e := u.Engine("engine")
	c, err := e.Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	done, err := u.Made(c)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := u.Undo(t.Context(), e, c, done, fakeData{m}); err != nil {
		t.Fatal(err)
	}
	newer := onlyAside(t, u)
	if newer.ID != c.ID || newer.Name != m.containers[c.ID].name || newer.Image != "seedbank:4.2.0" || newer.Needed != Unneeded {
		t.Errorf("%+v", newer)
	}
	if err := u.RemoveAside(t.Context(), old, true); !errors.Is(err, engine.ErrNotFound) || m.containers["c0"] == nil {
		t.Errorf("what is in its place again: %v", err)
	}
	m.containers[c.ID].running = true
	if err := u.RemoveAside(t.Context(), newer, true); !errors.Is(err, ErrRuns) {
		t.Errorf("one that runs: %v", err)
	}
	m.containers[c.ID].running = false
	m.containers[c.ID].name = "mine"
	if all, err := u.SetAside(t.Context()); err != nil || len(all) > 0 {
		t.Errorf("one that somebody named: %+v, %v", all, err)
	}
	if err := u.RemoveAside(t.Context(), newer, true); !errors.Is(err, engine.ErrNotFound) || m.containers[c.ID] == nil {
		t.Errorf("one that somebody named: %v", err)
	}
	m.containers[c.ID].name = newer.Name
	if err := u.RemoveAside(t.Context(), newer, false); err != nil || m.containers[c.ID] != nil {
		t.Errorf("what nothing needs: %v", err)
	}
	if left, _ := filepath.Glob(dir + "/aside-*"); len(left) > 0 {
		t.Errorf("%q is left", left)
	}
}

// TestSetAsideOfFailure: the container of a version that was not well is known once the journal is gone; one that somebody
// removed is forgotten.
func TestSetAsideOfFailure(t *testing.T) {
	dir := t.TempDir()
	m := newMachine(t)
	u, _ := m.upgrader(dir)
	m.bad = true
	o, err := m.upgrade(t.Context(), u)
	if err == nil {
		t.Fatal("it went well")
	}
	s := onlyAside(t, u)
	if s.Name != o.SetAside || s.Needed != Unneeded {
		t.Errorf("%+v, not %s", s, o.SetAside)
	}
	delete(m.containers, s.ID)
	if all, err := u.SetAside(t.Context()); err != nil || len(all) > 0 {
		t.Errorf("%+v, %v", all, err)
	}
	if left, _ := filepath.Glob(dir + "/aside-*"); len(left) > 0 {
		t.Errorf("%q is left", left)
	}
}

// TestSetAsideOfOpen: what an upgrade that is not at its end is about is not removed, whoever accepts what; nor is
// anything where a journal can't be read.
func TestSetAsideOfOpen(t *testing.T) {
	dir := t.TempDir()
	m := newMachine(t)
	u, _ := m.upgrader(dir)
	j, err := begin(dir, Record{Step: Starting, Began: time.Now(), Engine: "engine", Container: "seedbank", Old: "c0", OldImage: "seedbank:4.1.0",
		New: "c1", Before: "seedbank-before-x", Failed: "seedbank-failed-x"})
	if err != nil {
		t.Fatal(err)
	}
	c := m.containers["c0"]
	c.name, c.running = "seedbank-before-x", false
	s := onlyAside(t, u)
	if s.Needed != NeededStill {
		t.Errorf("%+v", s)
	}
	if err := u.RemoveAside(t.Context(), s, true); !errors.Is(err, ErrNeededStill) || m.containers["c0"] == nil {
		t.Errorf("of an open upgrade: %v", err)
	}
	if err := errors.Join(j.release(), os.WriteFile(journalPath(dir, "c0"), []byte("{"), 0o600)); err != nil {
		t.Fatal(err)
	}
	p := &pair{journal: &journal{Record: Record{Engine: "engine", Container: "seedbank", New: "c0", Failed: c.name}}, dir: dir}
	p.noteAside()
	if s := onlyAside(t, u); s.Needed != Unneeded {
		t.Errorf("%+v", s)
	}
	if err := u.RemoveAside(t.Context(), s, true); err == nil || m.containers["c0"] == nil {
		t.Errorf("beside a journal that can't be read: %v", err)
	}
}

// TestNewestRecordCounts: a container that was set aside, put in place by hand, and set aside by another upgrade is known by that
// one, whatever order records come in.
func TestNewestRecordCounts(t *testing.T) {
	for _, stale := range []string{"a1", "z1"} { // before and after the newer one by its file's name
		m := newMachine(t)
		dir := t.TempDir()
		u, _ := m.upgrader(dir)
		if _, err := m.upgrade(t.Context(), u); err != nil {
			t.Fatal(err)
		}
		old := onlyAside(t, u)
		done, err := take(donePath(dir, m.find("seedbank").id))
		if err != nil {
			t.Fatal(err)
		}
		r := done.Record
		r.New, r.Before, r.Began = stale, "seedbank-before-x", r.Began.Add(-time.Hour)
		text, err := files.MarshalExact(r)
		if err = errors.Join(err, done.release(), os.WriteFile(donePath(dir, stale), append(text, '\n'), 0o600)); err != nil {
			t.Fatal(err)
		}
		if s := onlyAside(t, u); s.Name != old.Name || s.made != old.made {
			t.Errorf("%s: %+v, not %+v", stale, s, old)
		}
	}
}

// TestUndoOfGone: an undo goes back also where the newer container was removed since, and tells of none that it kept.
func TestUndoOfGone(t *testing.T) {
	m := newMachine(t)
	u, _ := m.upgrader(t.TempDir())
	e := u.Engine("engine")
	if _, err := u.MadeNamed(e, "seedbank"); !errors.Is(err, ErrNoUpgrade) {
		t.Error(err)
	}
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	delete(m.containers, m.find("seedbank").id)
	if s := onlyAside(t, u); s.Needed != NeededUndo {
		t.Errorf("%+v", s)
	}
	if _, err := u.MadeNamed(e, "seedbank-db"); !errors.Is(err, ErrNoUpgrade) {
		t.Error(err)
	}
	done, err := u.MadeNamed(e, "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	o, err := u.Undo(t.Context(), e, &engine.Container{ID: done.New, Name: "seedbank"}, done, fakeData{m})
	if err != nil || o.Outcome != Undone || o.SetAside != "" {
		t.Fatalf("%+v, %v", o, err)
	}
	if run := m.running(); len(run) != 1 || run[0].id != "c0" || run[0].name != "seedbank" || m.data != oldData {
		t.Errorf("%+v on %q", run, m.data)
	}
	if _, err := u.MadeNamed(e, "seedbank"); !errors.Is(err, ErrNoUpgrade) {
		t.Error(err)
	}
}

// removing is data of which somebody removes the container of the newer version just before it is put back.
type removing struct{ fakeData }

func (r removing) Restore(ctx context.Context, record *Record, do Deeds) error {
	delete(r.m.containers, record.New)
	return r.fakeData.Restore(ctx, record, do)
}

// TestFailedIsGone: of a failed version whose container somebody removed it is not said that it is kept.
func TestFailedIsGone(t *testing.T) {
	m := newMachine(t)
	u, _ := m.upgrader(t.TempDir())
	m.bad = true
	e := u.Engine("engine")
	q := &Request{Engine: e, To: ":4.2.0", Repository: "/mnt/share/kist", Healthy: "true"}
	q.Container, _ = e.Inspect(t.Context(), "seedbank")
	q.Image, _ = e.Image(t.Context(), "seedbank:4.1.0")
	o, err := u.Upgrade(t.Context(), q, removing{fakeData{m}})
	if err == nil || o.Outcome != WentBack || o.SetAside != "" || strings.Contains(err.Error(), "is kept as") || !strings.Contains(err.Error(), "somebody removed it") {
		t.Errorf("%+v, %v", o, err)
	}
	if run := m.running(); len(run) != 1 || run[0].id != "c0" {
		t.Errorf("%+v", run)
	}
}

// TestNothingToGoBackFrom: where something else has the name of the container that took its place, nothing needs the old one.
func TestNothingToGoBackFrom(t *testing.T) {
	m := newMachine(t)
	u, _ := m.upgrader(t.TempDir())
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	made := m.find("seedbank")
	delete(m.containers, made.id)
	made.id = "x9"
	m.containers[made.id] = made
	s := onlyAside(t, u)
	if err := u.RemoveAside(t.Context(), s, false); s.Needed != Unneeded || err == nil && m.containers["c0"] != nil {
		t.Errorf("%+v, %v", s, err)
	}
}

// TestNoUndo: once what an undo would start is removed, no capture is needed for it, an undo says so, and the older version is
// not started on the data of the newer one all the same.
func TestNoUndo(t *testing.T) {
	m := newMachine(t)
	u, _ := m.upgrader(t.TempDir())
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	if ways, err := u.WaysBack(); err != nil || len(ways) != 1 {
		t.Fatalf("%+v, %v", ways, err)
	}
	if err := u.RemoveAside(t.Context(), onlyAside(t, u), true); err != nil || m.containers["c0"] != nil {
		t.Fatal(err)
	}
	if ways, err := u.WaysBack(); err != nil || len(ways) > 0 {
		t.Errorf("%+v, %v", ways, err)
	}
	if all, err := u.SetAside(t.Context()); err != nil || len(all) > 0 {
		t.Errorf("%+v, %v", all, err)
	}
	e := u.Engine("engine")
	c, err := e.Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	made, ok := errors.AsType[*MadeError](u.CheckMadeContainer(&Request{Engine: e, Container: c, To: ":4.1.0"}))
	if !ok || strings.Contains(made.Error(), "--undo") || !strings.Contains(made.Error(), "kist restore k7f3 --container seedbank") {
		t.Errorf("%v", made)
	}
	done, err := u.Made(c)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := u.Undo(t.Context(), e, c, done, fakeData{m}); !errors.Is(err, engine.ErrNotFound) {
		t.Error(err)
	}
}

// TestBadAsideNotes are told, and name nothing.
func TestBadAsideNotes(t *testing.T) {
	for name, text := range map[string]string{
		"aside-c0.json": `{"name":"seedbank","id":"c1","engine":"engine"}`,
		"aside-c1.json": `{"name":"","id":"c1","engine":"engine"}`,
		"aside-c2.json": `{"name"`,
	} {
		dir := t.TempDir()
		u, _ := newMachine(t).upgrader(dir)
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if all, err := u.SetAside(t.Context()); err == nil || len(all) > 0 {
			t.Errorf("%s: %+v, %v", text, all, err)
		}
	}
}
