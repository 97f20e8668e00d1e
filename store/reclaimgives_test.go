package store_test

import (
	"slices"
	"testing"

	"github.com/kistarchive/kist/store"
)

// given is what a reclaim promised and gave, in bytes.
type given struct{ promised, came, left, fresh float64 }

// thinned captures streams, retires some of them and reclaims. What is left is held against a repository in which the others
// alone were captured.
func thinned(t *testing.T, streams [][]byte, gone ...int) given {
	f := newFixtureOf(t, withDeltas(store.DeltasOn))
	fresh := f.emptyTwin()
	defer fresh.Close()
	fresh.setDeltas(store.DeltasOn)
	var retired, stay []*store.Capture
	var want [][]byte
	for n, stream := range streams {
		c := f.capture(stream)
		if slices.Contains(gone, n) {
			retired = append(retired, c)
			continue
		}
		stay, want = append(stay, c), append(want, stream)
		fresh.capture(stream)
	}
	f.retire(retired...)
	before := f.stored()
	o := store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01, DryRun: true}
	plan := f.reclaim(o)
	o.DryRun = false
	if out := f.reclaim(o); out.Moved != plan.Moved || out.Moved == 0 {
		t.Errorf("%d slabs are moved, %d by the plan", out.Moved, plan.Moved)
	}
	f.wantAll(stay, want)
	return given{float64(plan.Freed - plan.Written), float64(before - f.stored()), float64(f.stored()), float64(fresh.stored())}
}

// TestReclaimGives: what is promised comes free, all in all, and what is left takes what it would where nothing else had been captured.
func TestReclaimGives(t *testing.T) {
	oneByOne(t)
	tables, texts := tableStates(15_000, 8), textTree(8, 60)
	var table, text [][]byte
	for n := range 8 {
		table, text = append(table, tarOf(t, file{name: "catalogue", content: tables[n]})), append(text, texts(t, n))
	}
	for name, g := range map[string]given{
		"every other state of a table": thinned(t, table, 0, 2, 4, 6),
		"the oldest ones of a table":   thinned(t, table, 0, 1, 2),
		"every other tree of texts":    thinned(t, text, 1, 3, 5),
		"the oldest trees of texts":    thinned(t, text, 0, 1, 2, 3),
	} {
		t.Logf("%s: promised %.0f came %.0f %.2f left %.0f fresh %.0f %.3f", name, g.promised, g.came, g.came/g.promised, g.left, g.fresh, g.left/g.fresh)
	}
}

// TestMovedIsPacked moves a table out of a slab where something else goes: it takes as much as where it alone was captured.
func TestMovedIsPacked(t *testing.T) {
	oneByOne(t)
	f, fresh := newFixtureOf(t, withDeltas(store.DeltasOff)), newFixtureOf(t, withDeltas(store.DeltasOff))
	table := file{name: "catalogue", content: tableStates(8_000, 1)[0]}
	first, stream := f.capture(tarOf(t, table, file{name: "log", content: random(1, 200_000)})), tarOf(t, table)
	rest := f.capture(stream)
	fresh.capture(stream)
	f.retire(first)
	out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
	f.wantStream(rest, stream)
	got, want := f.sealed(), fresh.sealed()
	if out.Moved == 0 || got > want+want/64 {
		t.Errorf("%d slabs moved; frames of %d bytes are left, and a fresh repository has %d", out.Moved, got, want)
	}
}

// sealed gives the length of all frames but padding.
func (f *fixture) sealed() (n int64) {
	for _, frames := range f.frames() {
		for _, frame := range frames {
			if !frame.Padding {
				n += int64(frame.Sealed)
			}
		}
	}
	return n
}
