package upgrade

import (
	"errors"
	"strings"
	"testing"
)

// TestMadeOther: the image that an upgrade took the place of is gone back to by an undo; others are upgraded to.
func TestMadeOther(t *testing.T) {
	m := newMachine(t)
	u, _ := m.upgrader(t.TempDir())
	e := u.Engine("engine")
	check := func(to string) error {
		c, err := e.Inspect(t.Context(), "seedbank")
		if err != nil {
			t.Fatal(err)
		}
		return u.CheckMadeContainer(&Request{Engine: e, Container: c, To: to})
	}
	if err := check(":4.1.0"); err != nil {
		t.Errorf("no upgrade was: %v", err)
	}
	if _, err := m.upgrade(t.Context(), u); err != nil {
		t.Fatal(err)
	}
	for to, refused := range map[string]bool{":4.1.0": true, "seedbank:4.1.0": true, ":4.2.0": false, ":4.3.0": false} {
		if _, ok := errors.AsType[*MadeError](check(to)); ok != refused {
			t.Errorf("%s: refused %t", to, ok)
		}
	}
}

// TestMadeWithoutUndo: what nothing goes back from any more has no way back to lose.
func TestMadeWithoutUndo(t *testing.T) {
	for _, noUndo := range []bool{false, true} {
		e := &MadeError{Service: "seedbank", Runs: "4.2.0", Before: "4.1.0", To: "4.1.0", NoUndo: noUndo, Back: (&Record{NoUndo: noUndo}).back("--name seedbank")}
		if strings.Contains(e.Error(), "way back of that upgrade is lost") == noUndo {
			t.Error(e)
		}
	}
}

// TestUndoOpen: of an upgrade that is not at its end an undo says so, be there an earlier one or not.
func TestUndoOpen(t *testing.T) {
	m := newMachine(t)
	u, _ := m.upgrader(t.TempDir())
	c, err := u.Engine("engine").Inspect(t.Context(), "seedbank")
	if err != nil {
		t.Fatal(err)
	}
	m.damaged, m.bad = true, true
	if o, err := m.upgrade(t.Context(), u); err == nil || o.Outcome != Unfinished {
		t.Fatalf("%+v, %v", o, err)
	}
	if _, err := u.Made(c); !errors.Is(err, ErrOpen) {
		t.Error(err)
	}
}
