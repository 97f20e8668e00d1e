package store_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/kistarchive/kist/store"
)

// tableStates gives the states of a table, of whose rows one in 200 is another in each.
func tableStates(rows, states int) (all [][]byte) {
	r := rand.New(rand.NewPCG(1, 2))
	kinds := []string{"Phaseolus vulgaris", "Vicia faba", "Pisum sativum", "Solanum lycopersicum", "Cucurbita pepo", "Daucus carota", "Beta vulgaris", "Zea mays"}
	row := func(i int) []byte {
		return fmt.Appendf(nil, "%08d,%08x,%-40s,%-40s,lent to a member of the library,%d\n", i, r.Uint32(), kinds[r.IntN(len(kinds))], kinds[r.IntN(len(kinds))], r.IntN(1_000_000))
	}
	table := make([][]byte, rows)
	for i := range table {
		table[i] = row(i)
	}
	for range states {
		all = append(all, bytes.Join(table, nil))
		for range rows / 200 {
			i := r.IntN(rows)
			table[i] = row(i)
		}
	}
	return all
}

// TestMoveTable moves what captures of one table need, deltas that stand on each other from slab to slab: it takes less than before, and
// about what was planned, as what is moved finds again what it is like.
func TestMoveTable(t *testing.T) {
	oneByOne(t)
	f := newFixtureOf(t, withDeltas(store.DeltasOn))
	var captures []*store.Capture
	var streams [][]byte
	for n, state := range tableStates(30_000, 8) {
		streams = append(streams, tarOf(t, file{name: "catalogue", content: state}))
		captures = append(captures, f.capture(streams[n]))
	}
	f.retire(captures[:3]...)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1})
	before := f.stored()
	o := store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01, DryRun: true}
	plan := f.reclaim(o)
	o.DryRun = false
	out := f.reclaim(o)
	if after := f.stored(); out.Moved == 0 || out.Moved != plan.Moved || after >= before || out.Written > plan.Written*3/2 {
		t.Errorf("%d slabs moved, %d bytes before, %d after; %d written, %d planned", out.Moved, before, after, out.Written, plan.Written)
	}
	for n := range captures[3:] {
		f.wantStream(captures[3+n], streams[3+n])
	}
	if again := f.reclaim(o); again.Moved > 0 {
		t.Errorf("again: %+v", again)
	}
}
