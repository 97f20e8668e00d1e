package store_test

import (
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// TestBaseLostWithTables: a slab is lost on which others stand, and with it all that says what it stands on. Verifying promises no
// table that can't be written, and reclaiming says why it frees nothing; once what is lost was given up, what captures cost is
// told, and it frees all that is left of that.
func TestBaseLostWithTables(t *testing.T) {
	f := newFixtureOf(t, withDeltas(store.DeltasOn))
	f.harmed = true
	content := random(1, 300_000)
	var captures []*store.Capture
	capture := func() {
		captures = append(captures, f.capture(tarOf(t, file{name: "a", content: content})))
		content = edited(content, 3000, byte(len(captures)))
	}
	capture()
	first := f.list(names.Slabs)
	capture()
	lost := f.list(names.Slabs)[0].Name
	if lost == first[0].Name {
		lost = f.list(names.Slabs)[1].Name
	}
	capture()
	capture()
	f.remove(lost)
	for _, table := range f.list(names.Tables) {
		f.remove(table.Name)
	}
	f.reopen()
	if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		t.Fatal(err)
	}
	if notes := strings.Join(report.Notes, "\n"); strings.Contains(notes, "that alone harms no capture") || !strings.Contains(notes, "that can't all be read") {
		t.Errorf("verifying notes %q", notes)
	}
	out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	if out.Slabs > 0 || len(out.Notes) != 1 || !strings.Contains(out.Notes[0], lost+" is missing, captures need it") {
		t.Errorf("before it is given up: %+v", out)
	}
	if _, err := f.Repair(t.Context(), store.RepairOptions{Drop: true}); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Usage(t.Context()); err != nil {
		t.Errorf("usage: %v", err)
	}
	capture()
	f.retire(captures[4])
	out = f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
	for range format.MaxDepth { // what is harmed goes level by level
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
	}
	if again := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01}); out.Slabs == 0 || len(out.Notes) > 0 || again.Slabs+again.Moved > 0 {
		t.Errorf("after it was given up: %+v, again %+v", out, again)
	}
	if report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true}); err != nil || !report.OK || len(report.Notes) > 0 {
		t.Errorf("in the end: %+v, %v", report, err)
	}
}
