package store_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
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

// given is what a reclaim promised and gave, in bytes.
type given struct{ promised, came, left, fresh int64 }

func (g given) isAsPromised() bool {
	return g.came >= g.promised*4/5 && g.came <= g.promised*8 && g.left <= g.fresh*11/10
}

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
	after := f.stored()
	f.wantAll(stay, want)
	if again := f.reclaim(o); again.Moved > 0 {
		t.Errorf("again %d slabs are moved", again.Moved)
	}
	return given{plan.Freed - plan.Written, before - after, after, fresh.stored()}
}

// TestReclaimGives: what is promised comes free, all in all, and what is left takes what it would where nothing else had been captured.
func TestReclaimGives(t *testing.T) {
	oneByOne(t)
	tables, texts := tableStates(15_000, 8), textTree(8, 60)
	var table, text [][]byte
	for n := range 8 {
		table, text = append(table, tarOf(t, file{name: "catalogue", content: tables[n]})), append(text, texts(t, n))
	}
	for name, test := range map[string]struct {
		streams [][]byte
		gone    []int
	}{
		"every other state of a table": {table, []int{0, 2, 4, 6}},
		"the oldest ones of a table":   {table, []int{0, 1, 2}},
		"every other tree of texts":    {text, []int{1, 3, 5}},
		"the oldest trees of texts":    {text, []int{0, 1, 2, 3}},
	} {
		g := thinned(t, test.streams, test.gone...)
		for tries := mostTries; tries > 0 && !g.isAsPromised(); tries-- {
			g = thinned(t, test.streams, test.gone...)
		}
		if !g.isAsPromised() {
			t.Errorf("%s: %d bytes are promised and %d come free; %d are left, and a fresh repository has %d", name, g.promised, g.came, g.left, g.fresh)
		}
	}
}

// TestMovedFindsEachOther moves what stood on what goes, and followed nothing of the same name: the first takes what that took, and
// the next one stands on it.
func TestMovedFindsEachOther(t *testing.T) {
	oneByOne(t)
	f := newFixtureOf(t, withDeltas(store.DeltasOn))
	base := random(1, 1_000_000)
	half := bytes.Clone(base)
	for at, other := 0, random(2, len(base)); at < len(half); at += 3_000 {
		copy(half[at:at+1_500], other[at:])
	}
	contents := [][]byte{base, slices.Concat(half, random(3, 300_000)), edited(half, 9_000, 1), edited(half, 9_000, 2)}
	var all []*store.Capture
	for n, content := range contents {
		o := store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(tarOf(t, file{name: "a", content: content}))}}
		o.Volumes[0].Name = fmt.Sprintf("data-%d", n) // when it is captured, another name does not hide what it was before
		c, err := f.Capture(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, c)
	}
	before := f.stored()
	f.retire(all[1])
	out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
	// The second one alone had 300,000 bytes. Chunks that do not find each other take some 500,000 more; a few do not, by cuts that
	// differ by key.
	if came := before - f.stored(); out.Moved == 0 || came < 0 {
		t.Errorf("%d slabs moved; %d bytes come free", out.Moved, came)
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
