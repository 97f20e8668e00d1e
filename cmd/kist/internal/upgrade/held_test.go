package upgrade

import (
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/engine"
)

// TestHeld: what something else holds still is neither upgraded nor undone; that is asked once there is a journal, so that who comes
// later sees it, and none is left.
func TestHeld(t *testing.T) {
	dir := t.TempDir()
	m := newMachine(t)
	u, _ := m.upgrader(dir)
	refused := errors.New("a capture is at work")
	var held error
	asked := 0
	u.Held = func(r *Record) error {
		asked++
		if open, err := u.Opened(); err != nil || len(open) != 1 || open[0].Old != r.Old {
			t.Errorf("%+v, %v", open, err)
		}
		return held
	}
	left := func(what string, want int) {
		t.Helper()
		if found := journals(t, dir); len(found) > 0 || asked != want {
			t.Errorf("%s: asked %d times, and left is %q", what, asked, found)
		}
		m.mustBeWhole(t)
	}
	held = refused
	o, err := m.upgrade(t.Context(), u)
	if !errors.Is(err, refused) || o.Outcome != Unchanged || o.Runs != "" || strings.Contains(err.Error(), "runs as before") || m.made > 0 {
		t.Errorf("%+v, %v", o, err)
	}
	left("upgrade", 1)
	held = nil
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	left("upgrade that is free", 2)
	e := u.Engine("engine")
	c, err := e.Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	done, err := u.Made(c)
	if err != nil {
		t.Fatal(err)
	}
	held = refused
	if _, err := u.Undo(t.Context(), e, c, done, fakeData{m}); !errors.Is(err, refused) {
		t.Error(err)
	}
	left("undo", 3)
	if m.data != newData {
		t.Errorf("the data is %q", m.data)
	}
}

// meddling has somebody do something while the data is read for the first time.
type meddling struct {
	fakeData
	do func()
}

func (d meddling) Draft(ctx context.Context) error {
	err := d.fakeData.Draft(ctx)
	d.do()
	return err
}

// TestStoppedMeanwhile: a container that something else stopped, or gave another name, before the upgrade came to stop it, is left
// alone: whoever did may start it again.
func TestStoppedMeanwhile(t *testing.T) {
	for name, do := range map[string]func(c *fakeContainer){
		"stopped": func(c *fakeContainer) { c.running = false },
		"renamed": func(c *fakeContainer) { c.name = "seedbank-before-x" },
	} {
		dir := t.TempDir()
		m := newMachine(t)
		u, _ := m.upgrader(dir)
		e := engine.NewWith("engine", m)
		c, err := e.Inspect(t.Context(), "seedbank")
		if err != nil {
			t.Fatal(err)
		}
		image, err := e.Image(t.Context(), c.ImageName)
		if err != nil {
			t.Fatal(err)
		}
		was := m.containers["c0"]
		o, err := u.Upgrade(t.Context(), &Request{Engine: e, Container: c, Image: image, To: ":4.2.0"}, meddling{fakeData{m}, func() { do(was) }})
		if err == nil || o.Outcome != Unchanged || o.Runs != "" {
			t.Errorf("%s: %+v, %v", name, o, err)
		}
		if len(m.containers) != 1 || len(m.captures) > 0 || len(journals(t, dir)) > 0 || was.starts != 1 {
			t.Errorf("%s: containers %q, captures %v", name, names(m), m.captures)
		}
	}
}
