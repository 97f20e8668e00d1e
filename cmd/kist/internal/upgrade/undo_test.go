package upgrade

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// TestUndoFaults has each operation of going back later fail, in each way.
func TestUndoFaults(t *testing.T) {
	for _, how := range []fault{none, failsBefore, failsAfter, failsForGood, killsBefore, killsAfter, interrupts} {
		t.Run(string(how), func(t *testing.T) {
			for at := 1; !t.Failed() && undoFaultAt(t, how, at); at++ {
				if how == none {
					return
				}
			}
		})
	}
}

func undoFaultAt(t *testing.T, how fault, at int) bool {
	dir := t.TempDir()
	m := newMachine(t)
	u, _ := m.upgrader(dir)
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	c, err := u.Engine("engine").Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	m.how, m.at, m.n = how, at, 0
	var ctx context.Context
	ctx, m.cancel = context.WithCancel(t.Context())
	defer m.cancel()
	u, said := m.upgrader(dir)
	var o *Outcome
	ended := m.try(func() {
		var done *Record
		if done, err = u.Made(c); err == nil {
			o, err = u.Undo(ctx, u.Engine("engine"), c, done, fakeData{m})
		}
	})
	hit := m.hit != ""
	if !hit && (!ended || err != nil || o.Outcome != Undone) {
		t.Errorf("%+v, %v", o, err)
	}
	m.anyPolicy = strings.Contains(said.String(), "restart policy")
	m.dead, m.at, m.how = false, 0, none
	u, said = m.upgrader(dir)
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil {
		t.Error(err)
	}
	m.anyPolicy = m.anyPolicy || strings.Contains(said.String(), "restart policy")
	m.mustBeWhole(t)
	if left := journals(t, dir); len(left) > 0 {
		t.Errorf("%q is left", left)
	}
	if run := m.running(); len(run) == 1 && run[0].image == "seedbank:4.1.0" {
		if _, err := os.Stat(donePath(dir, c.ID)); err == nil {
			t.Error("what was undone can be undone once more")
		}
		if len(m.kept) != 1 || m.kept[0] != newData {
			t.Errorf("%q is kept", m.kept)
		}
	}
	if t.Failed() {
		t.Logf("at %d, %s: %v\n%s", at, m.hit, err, said)
	}
	return hit || how == none
}

// TestUndoUnknown: a container that no upgrade made.
func TestUndoUnknown(t *testing.T) {
	m := newMachine(t)
	u, _ := m.upgrader(t.TempDir())
	if _, err := u.Made(&engine.Container{ID: "c0", Name: "seedbank"}); !errors.Is(err, ErrNoUpgrade) {
		t.Error(err)
	}
}

func TestTarget(t *testing.T) {
	for _, test := range []struct{ image, to, want string }{
		{"localhost/seedbank:4.1.0", ":4.2.0", "localhost/seedbank:4.2.0"},
		{"localhost:5000/seedbank", ":4.2.0", "localhost:5000/seedbank:4.2.0"},
		{"localhost/seedbank:4.1.0@sha256:11", ":4.2.0", "localhost/seedbank:4.2.0"},
		{"localhost/seedbank@sha256:11", ":4.2.0", "localhost/seedbank:4.2.0"},
		{"localhost/seedbank:4.1.0", "other:1", "other:1"},
	} {
		q := &Request{Container: &engine.Container{ImageName: test.image}, To: test.to}
		if got := q.Target(); got != test.want {
			t.Errorf("%s to %s: %s, not %s", test.image, test.to, got, test.want)
		}
	}
}

// TestFetched: an image that is not there is fetched, and one that nobody has stops nothing.
func TestFetched(t *testing.T) {
	for _, known := range []bool{true, false} {
		m := newMachine(t)
		delete(m.images, "seedbank:4.2.0")
		if known {
			m.pullable = map[string]string{"seedbank:4.2.0": "sha256:22"}
		}
		u, _ := m.upgrader(t.TempDir())
		o, err := m.upgrade(t.Context(), u)
		if known != (err == nil) || known != (o.Outcome == Upgraded) {
			t.Errorf("known %t: %+v, %v", known, o, err)
		}
		m.mustBeWhole(t)
	}
}

// TestLosses: what can't be made again is named and stops the upgrade before the service is stopped.
func TestLosses(t *testing.T) {
	for _, accept := range []bool{false, true} {
		m := newMachine(t)
		m.forgets = true
		u, said := m.upgrader(t.TempDir())
		e := u.Engine("engine")
		c, err := e.Inspect(t.Context(), "seedbank")
		if err != nil {
			t.Fatal(err)
		}
		q := &Request{Engine: e, Container: c, To: ":4.2.0", AcceptLostSettings: accept}
		o, err := u.Upgrade(t.Context(), q, fakeData{m})
		var lost *LossesError
		switch {
		case accept && (err != nil || o.Outcome != Upgraded || !strings.Contains(said.String(), "not in the new container: label shelf")):
			t.Errorf("%+v, %v, %s", o, err, said)
		case !accept && (!errors.As(err, &lost) || o.Outcome != Unchanged || len(m.containers) != 1 || m.containers["c0"].starts != 1):
			t.Errorf("%+v, %v", o, err)
		}
		if !accept {
			m.mustBeWhole(t)
		}
	}
}

// TestBusy: a second upgrade of a service waits for nobody.
func TestBusy(t *testing.T) {
	m := newMachine(t)
	dir := t.TempDir()
	j, err := begin(dir, Record{Step: Stopping, Old: "c0", Container: "seedbank"})
	if err != nil {
		t.Fatal(err)
	}
	defer j.release()
	u, _ := m.upgrader(dir)
	if o, err := m.upgrade(t.Context(), u); !errors.Is(err, errBusy) || o.Outcome != Unchanged {
		t.Errorf("%+v, %v", o, err)
	}
	if err := u.Recover(t.Context(), Resuming{Again: true}); err != nil || len(journals(t, dir)) != 1 {
		t.Errorf("recovery took what is at work: %v", err)
	}
	m.mustBeWhole(t)
}

// TestBusyUnderOtherIDs: while an upgrade watches the container that it made, that one is not upgraded, nor what
// has the service's name.
func TestBusyUnderOtherIDs(t *testing.T) {
	dir := t.TempDir()
	j, err := begin(dir, Record{Step: Starting, Old: "c0", New: "c1", Container: "seedbank", Engine: "podman"})
	if err != nil {
		t.Fatal(err)
	}
	defer j.release()
	for _, r := range []Record{
		{Old: "c1", Container: "seedbank", Engine: "podman"},
		{Old: "c2", Container: "seedbank", Engine: "podman"},
		{Old: "c1", Container: "renamed", Engine: "podman"},
	} {
		if second, err := begin(dir, r); !errors.Is(err, errBusy) {
			t.Errorf("%+v: %v", r, err)
			second.release()
		}
	}
	for _, r := range []Record{
		{Old: "c3", Container: "other", Engine: "podman"},
		{Old: "name-1", Container: "seedbank", Up: "true"},
	} {
		other, err := begin(dir, r)
		if err != nil {
			t.Errorf("%+v: %v", r, err)
			continue
		}
		other.release()
	}
}

// TestJournal: the last whole line counts, and what others could have put there does not.
func TestJournal(t *testing.T) {
	dir := t.TempDir()
	j, err := begin(dir, Record{Step: Making, Old: "c0", Container: "seedbank"})
	if err == nil {
		err = j.step(Stopping)
	}
	if err == nil {
		err = j.file.Add([]byte(`{"step":"good","old":"c0"`)) // cut short
	}
	if err = errors.Join(err, j.release()); err != nil {
		t.Fatal(err)
	}
	path := journalPath(dir, "c0")
	again, err := take(path)
	if err != nil || again.Step != Stopping {
		t.Fatalf("%+v, %v", again, err)
	}
	if second, err := take(path); second != nil || err != nil {
		t.Errorf("two have it: %v", err)
	}
	err = errors.Join(again.step(Captured), again.release())
	if again, _ = take(path); err != nil || again == nil || again.Step != Captured {
		t.Errorf("%+v, %v", again, err)
	}
	again.release()
	link := filepath.Join(dir, "upgrade-link.json")
	if err := os.Symlink(path, link); err != nil {
		t.Skip(err)
	}
	if _, err := take(link); err == nil {
		t.Error("a link is followed")
	}
	m := newMachine(t)
	u, _ := m.upgrader(dir)
	if err := os.Chmod(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := u.Recover(t.Context(), Resuming{Again: true}); err == nil || !strings.Contains(err.Error(), "others can write there") {
		t.Errorf("journals that others can write are used: %v", err)
	}
}
