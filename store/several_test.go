package store_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
)

// retiredMarks gives the names of the marks in retired/.
func (f *fixture) retiredMarks() (names []string) {
	f.t.Helper()
	infos, err := f.mem.List(f.t.Context(), "retired")
	if err != nil {
		f.t.Fatal(err)
	}
	for _, info := range infos {
		names = append(names, info.Name)
	}
	return names
}

// object gives what an object has.
func (f *fixture) object(name string) []byte {
	f.t.Helper()
	info, err := f.mem.Stat(f.t.Context(), name)
	if err != nil {
		f.t.Fatal(err)
	}
	b := make([]byte, info.Size)
	if err := f.mem.ReadAt(f.t.Context(), name, b, 0); err != nil {
		f.t.Fatal(err)
	}
	return b
}

// TestRetireSeveral retires several captures by one mark, takes one back, and lets the others go:
// the mark goes with them, and what was taken back stays, also where a copy of the mark comes back.
func TestRetireSeveral(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		var all []*store.Capture
		for i := range byte(4) {
			all = append(all, f.capture(tarOf(t, file{name: "a", content: random(i, 100_000)})))
			time.Sleep(time.Minute)
		}
		f.retire(all[:3]...)
		marks := f.retiredMarks()
		if len(marks) != 1 || !strings.HasSuffix(marks[0], ".several") {
			t.Fatalf("three captures are retired by %v", marks)
		}
		mark := f.object(marks[0])
		if listed, err := f.Captures(t.Context()); err != nil || len(listed) != 1 || listed[0].ID != all[3].ID {
			t.Errorf("listed: %v, %v", listed, err)
		}
		f.retire(all[:3]...)
		if again := f.retiredMarks(); !slices.Equal(again, marks) {
			t.Errorf("retired once more, there is %v", again)
		}
		if err := f.Reinstate(t.Context(), []string{all[1].ID}, store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		f.verify(t.Context())
		time.Sleep(store.DefaultGrace + time.Hour)
		out := f.reclaim(store.ReclaimOptions{})
		if want := []string{all[0].ID, all[2].ID}; !slices.Equal(slices.Sorted(slices.Values(out.Captures)), slices.Sorted(slices.Values(want))) {
			t.Errorf("removed %v, want %v", out.Captures, want)
		}
		if left := f.retiredMarks(); len(left) != 1 || !strings.HasPrefix(left[0], "retired/"+all[1].ID) || !strings.HasSuffix(left[0], ".undone") {
			t.Errorf("left: %v", left)
		}
		if err := f.mem.Put(t.Context(), marks[0], bytes.NewReader(mark)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(store.DefaultGrace + time.Hour)
		if out := f.reclaim(store.ReclaimOptions{}); len(out.Captures) > 0 {
			t.Errorf("by a copy of the mark %v went", out.Captures)
		}
		f.retire(all[1], all[3])
		if listed, err := f.Captures(t.Context()); err != nil || len(listed) > 0 {
			t.Errorf("listed: %v, %v", listed, err)
		}
		f.verify(t.Context())
	})
}

// A mark about several captures that can't be read retires none, and repairing removes it.
func TestSeveralDamaged(t *testing.T) {
	f := newFixture(t)
	one, two := f.capture([]byte("one")), f.capture([]byte("two"))
	f.retire(one, two)
	name := f.retiredMarks()[0]
	b := f.object(name)
	b[len(b)-1] ^= 1
	f.replace(name, b)
	if listed, err := f.Captures(t.Context()); err != nil || len(listed) != 2 {
		t.Errorf("listed: %v, %v", listed, err)
	}
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || len(report.Damage) != 1 || report.Damage[0].Object != name {
		t.Errorf("verifying: %+v, %v", report, err)
	}
	if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	if left := f.retiredMarks(); len(left) > 0 {
		t.Errorf("left: %v", left)
	}
}

// Where what takes a capture of several back can't be read, repairing leaves no moment in which the
// retirement counts.
func TestSeveralUndoneDamaged(t *testing.T) {
	f := newFixture(t)
	one, two := f.capture([]byte("one")), f.capture([]byte("two"))
	f.retire(one, two)
	if err := f.Reinstate(t.Context(), []string{two.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	var undone string
	for _, name := range f.retiredMarks() {
		if strings.HasSuffix(name, ".undone") {
			undone = name
		}
	}
	b := f.object(undone)
	b[len(b)-1] ^= 1
	f.replace(undone, b)
	if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	if listed, err := f.Captures(t.Context()); err != nil || len(listed) != 1 || listed[0].ID != two.ID {
		t.Errorf("listed: %v, %v", listed, err)
	}
	f.verify(t.Context())
}
