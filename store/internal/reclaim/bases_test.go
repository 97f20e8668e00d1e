package reclaim

import (
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// on gives a base: a chunk of a slab, by numbers.
func on(slab byte, chunk uint32) format.Base {
	return format.Base{Slab: format.SlabID{slab}, First: chunk, Count: 1}
}

// plain gives a frame of 100 bytes that stands alone.
func plain() format.Frame {
	return format.Frame{Kind: format.Zstd, Sealed: 50, Chunks: []uint32{100}}
}

// standing gives one of as many that stands on others.
func standing(depth uint32, bases ...format.Base) format.Frame {
	return format.Frame{Kind: format.Delta, Sealed: 10, Chunks: []uint32{100}, Standing: format.Standing{Depth: depth, Bases: bases}}
}

// slabID numbers slabs from 1 on.
func slabID(n int) format.SlabID { return format.SlabID{byte(n), byte(n >> 8)} }

// place is a chunk of a slab.
type place struct {
	slab  byte
	chunk int
}

// surveyed gives a survey of slabs, numbered from 1 on, of which some are absent.
func surveyed(slabs [][]format.Frame, absent ...byte) *survey {
	v := &survey{
		going: &ledger.Batches{}, stock: make(map[format.SlabID]*stocked), absent: make(map[format.SlabID]*stocked), walked: make(map[string][]*stocked),
	}
	n := 0
	for i, frames := range slabs {
		s := &stocked{id: slabID(i + 1), frames: frames}
		for j := range frames {
			s.info.Size += int64(frames[j].Sealed)
		}
		n = s.number(n)
		if slices.Contains(absent, byte(i+1)) {
			v.absent[s.id] = s
			continue
		}
		v.stock[s.id] = s
		v.order = append(v.order, s)
	}
	for _, b := range []*bitset{&v.wanted, &v.needed, &v.asked, &v.direct, &v.listing, &v.instead} {
		*b = make(bitset, n/64+1)
	}
	v.linkBases()
	return v
}

func (v *survey) slab(n byte) *stocked { return v.at(format.SlabID{n}) }

func (v *survey) set(b bitset, places ...place) {
	for _, p := range places {
		b.set(v.slab(p.slab).first + p.chunk)
	}
}

// TestHoldBases: what is needed, or wanted, has all that it stands on be so, by any way; what is not holds nothing.
func TestHoldBases(t *testing.T) {
	chain := [][]format.Frame{{plain(), plain()}, {standing(1, on(1, 1))}, {standing(2, on(2, 0))}}
	within := [][]format.Frame{{plain(), standing(1, on(1, 0)), plain(), standing(1, on(1, 2)), standing(2, on(1, 3))}}
	for name, c := range map[string]struct {
		slabs      [][]format.Frame
		absent     []byte
		need, want []place
	}{
		"nothing":                              {chain, nil, nil, nil},
		"a base":                               {chain, nil, []place{{2, 0}}, []place{{1, 1}, {2, 0}}},
		"a base of a base":                     {chain, nil, []place{{3, 0}}, []place{{1, 1}, {2, 0}, {3, 0}}},
		"of a slab that is absent":             {chain, []byte{3}, []place{{3, 0}}, []place{{1, 1}, {2, 0}, {3, 0}}},
		"by one that is absent":                {chain, []byte{2}, []place{{3, 0}}, []place{{1, 1}, {2, 0}, {3, 0}}},
		"a frame that is not needed holds":     {[][]format.Frame{{plain()}, {plain(), standing(1, on(1, 0))}}, nil, []place{{2, 0}}, []place{{1, 0}, {2, 0}}},
		"but none within its slab":             {within, nil, []place{{1, 1}}, []place{{1, 0}, {1, 1}}},
		"within a slab, by another one":        {within, nil, []place{{1, 4}}, []place{{1, 2}, {1, 3}, {1, 4}}},
		"two slabs that stand on the same one": {[][]format.Frame{{plain(), plain()}, {standing(1, on(1, 0))}, {standing(1, on(1, 1))}}, nil, []place{{2, 0}, {3, 0}}, []place{{1, 0}, {1, 1}, {2, 0}, {3, 0}}},
	} {
		for which, of := range map[string]func(*survey) (set, other bitset){
			"needed": func(v *survey) (set, other bitset) { return v.needed, v.wanted },
			"wanted": func(v *survey) (set, other bitset) { return v.wanted, v.needed },
		} {
			v := surveyed(c.slabs, c.absent...)
			set, other := of(v)
			v.set(set, c.need...)
			v.holdBases()
			want := make(bitset, len(set))
			v.set(want, c.want...)
			if !slices.Equal(set, want) || slices.ContainsFunc(other, func(word uint64) bool { return word != 0 }) || v.blind != nil {
				t.Errorf("%s: %s is %b, not %b; of the other kind %b, blind %v", name, which, set, want, other, v.blind)
			}
		}
	}
}

// TestHoldAlso: of what is said differently of a slab's frames all bases are held, those that it is said to have in itself, too;
// and it is moved with what any of them lies in.
func TestHoldAlso(t *testing.T) {
	v := surveyed([][]format.Frame{{plain(), plain()}, {plain(), plain()}, {plain(), plain()}})
	s := v.slab(3)
	s.saidAlso(s.frames)
	if len(s.also) > 0 {
		t.Error("the same is said twice")
	}
	s.saidAlso([]format.Frame{standing(1, on(1, 1)), standing(1, on(3, 1))})
	v.linkBases()
	v.set(v.needed, place{3, 0})
	v.holdBases()
	want := make(bitset, len(v.needed))
	v.set(want, place{1, 1}, place{3, 0}, place{3, 1})
	if !slices.Equal(v.needed, want) || !slices.Contains(v.lot(v.slab(1)), s) {
		t.Errorf("needed is %b, not %b", v.needed, want)
	}
}

// TestHoldUnknown: a base behind the end of its slab has that stay as a whole, and where nobody knows what a base stands on, or
// what is needed stands on, all does.
func TestHoldUnknown(t *testing.T) {
	long := on(1, 0)
	long.Count = 2
	v := surveyed([][]format.Frame{{plain()}, {standing(1, long)}})
	v.set(v.needed, place{2, 0})
	v.holdBases()
	if !v.slab(1).short || v.blind != nil {
		t.Errorf("a base behind the end: short %t, blind %v", v.slab(1).short, v.blind)
	}
	for depth, blind := range []bool{1: false, 2: true} {
		if depth == 0 {
			continue
		}
		v := surveyed([][]format.Frame{nil, {standing(uint32(depth), on(1, 0))}}, 1)
		v.set(v.needed, place{2, 0})
		if v.holdBases(); (v.blind != nil) != blind {
			t.Errorf("a base of which nothing is known, under depth %d: blind %v", depth, v.blind)
		}
	}
	for name, c := range map[string]struct{ deltas, named, blind bool }{
		"a slab that a capture with deltas needs": {true, true, true},
		"one of a capture without":                {false, true, false},
		"one that nobody needs":                   {true, false, false},
	} {
		v := surveyed([][]format.Frame{nil, {plain()}})
		v.captures = []*ledger.Capture{{IndexFile: &format.IndexFile{Deltas: c.deltas}}}
		if c.named {
			v.walked["r"] = []*stocked{v.slab(1)}
		}
		v.blind = v.slab(1) // by a look before
		if v.holdBases(); (v.blind != nil) != c.blind || v.unused(v.slab(2), v.needed) == c.blind {
			t.Errorf("%s of which nothing is known: blind %v", name, v.blind)
		}
	}
}

// TestTogether: no slab goes before one that stands on it, by any way, and is there.
func TestTogether(t *testing.T) {
	long := [][]format.Frame{{plain()}}
	for i := range byte(7) {
		long = append(long, []format.Frame{standing(1, on(i+1, 0))})
	}
	two := long[:2]
	for name, c := range map[string]struct {
		slabs        [][]format.Frame
		absent       []byte
		needed       []place
		going, named []byte
		want         []byte
	}{
		"both":                           {slabs: two, going: []byte{1, 2}, want: []byte{1, 2}},
		"the upper one":                  {slabs: two, going: []byte{2}, want: []byte{2}},
		"the lower one":                  {slabs: two, going: []byte{1}},
		"all but the top":                {slabs: long, going: []byte{1, 2, 3, 4, 5, 6, 7}},
		"all but the middle":             {slabs: long, going: []byte{1, 2, 3, 4, 6, 7, 8}, want: []byte{6, 7, 8}},
		"under one that is absent":       {slabs: two, absent: []byte{2}, going: []byte{1}, want: []byte{1}},
		"under one that is named":        {slabs: two, going: []byte{1}, named: []byte{2}, want: []byte{1}},
		"under one named that is needed": {slabs: two, going: []byte{1}, named: []byte{2}, needed: []place{{2, 0}}},
	} {
		v := surveyed(c.slabs, c.absent...)
		v.set(v.needed, c.needed...)
		going, named := make(map[format.SlabID]*stocked), make(map[format.SlabID]bool)
		for _, n := range c.going {
			going[format.SlabID{n}] = v.slab(n)
		}
		for _, n := range c.named {
			named[format.SlabID{n}] = true
		}
		v.together(going, named)
		var got []byte
		for id := range going {
			got = append(got, id[0])
		}
		if slices.Sort(got); !slices.Equal(got, c.want) {
			t.Errorf("%s: %v go, not %v", name, got, c.want)
		}
	}
}

// TestMisses: an absent slab is missed where something needs it.
func TestMisses(t *testing.T) {
	v := surveyed([][]format.Frame{{plain()}, {plain()}, {plain()}}, 2, 3)
	v.set(v.needed, place{1, 0}, place{2, 0})
	for n, want := range []bool{1: false, 2: true, 3: false, 4: false} {
		if got := v.misses(format.SlabID{byte(n)}); got != want {
			t.Errorf("slab %d is missed: %t", n, got)
		}
	}
}

// TestLot: with a slab all is moved that stands on it, by any way, and is needed.
func TestLot(t *testing.T) {
	slabs := [][]format.Frame{{plain()}, {standing(1, on(1, 0))}, {standing(2, on(2, 0))}, {standing(1, on(1, 0))}}
	v := surveyed(slabs)
	v.set(v.needed, place{1, 0}, place{2, 0}, place{3, 0}) // 4 is not
	lot := func(n byte) (got []byte) {
		for _, s := range v.lot(v.slab(n)) {
			got = append(got, s.id[0])
		}
		slices.Sort(got)
		return got
	}
	for n, want := range [][]byte{1: {1, 2, 3}, 2: {2, 3}, 3: {3}} {
		if n > 0 && !slices.Equal(lot(byte(n)), want) {
			t.Errorf("with slab %d go %v, not %v", n, lot(byte(n)), want)
		}
	}
	v.forget(&leaving{slabs: map[format.SlabID]*stocked{{2}: v.slab(2)}})
	if got := lot(1); !slices.Equal(got, []byte{1}) {
		t.Errorf("with slab 1 go %v, one of which was removed", got)
	}
}

// TestTogetherAtLast: what is announced, or named finally, does not go before a slab that stands on it, which is neither.
func TestTogetherAtLast(t *testing.T) {
	for name, upper := range map[string]bool{"the lower one alone": false, "both": true} {
		v := surveyed([][]format.Frame{{plain()}, {standing(1, on(1, 0))}})
		due := &format.BatchRecord{Slabs: []format.SlabID{{1}}}
		if upper {
			due.Slabs = append(due.Slabs, format.SlabID{2})
		}
		v.grace, v.now = time.Hour, time.Now()
		v.going.Announced = []ledger.Batch{{Record: due}}
		c := &reclaimer{v: v}
		if got := c.dueNow().Slabs; len(got) > 0 != upper {
			t.Errorf("%s: %v are named finally", name, got)
		}
		v.going.Final, v.going.Announced = v.going.Announced, nil
		g, err := v.whatGoes(t.Context())
		if err != nil || len(g.slabs) > 0 != upper {
			t.Errorf("%s: %v go, %v", name, g.slabs, err)
		}
	}
}

// TestSameChunks holds frames as a table tells of them against those of the slab.
func TestSameChunks(t *testing.T) {
	frames := func() []format.Frame { return []format.Frame{plain(), standing(1, on(1, 0))} }
	if !sameChunks(frames(), frames()) {
		t.Error("the same are others")
	}
	for name, change := range map[string]func([]format.Frame) []format.Frame{
		"fewer frames":    func(f []format.Frame) []format.Frame { return f[:1] },
		"the other order": func(f []format.Frame) []format.Frame { slices.Reverse(f); return f },
		"another length":  func(f []format.Frame) []format.Frame { f[0].Chunks[0]++; return f },
		"another chunk":   func(f []format.Frame) []format.Frame { f[0].Chunks = append(f[0].Chunks, 1); return f },
		"no bases":        func(f []format.Frame) []format.Frame { f[1].Standing = format.Standing{}; return f },
		"another base":    func(f []format.Frame) []format.Frame { f[1].Bases[0].First++; return f },
		"another depth":   func(f []format.Frame) []format.Frame { f[1].Depth++; return f },
	} {
		if sameChunks(frames(), change(frames())) || sameChunks(change(frames()), frames()) {
			t.Errorf("%s: the same", name)
		}
	}
}

// TestStaying: what can't be read, is damaged, goes or is gone is not stored anew.
func TestStaying(t *testing.T) {
	harmed := &format.BatchRecord{Harmed: []format.HarmedSlab{{Slab: format.SlabID{1}, Frames: []uint32{0}}}}
	final := &format.BatchRecord{Slabs: []format.SlabID{{1}}}
	for name, change := range map[string]func(v *survey){
		"it is harmed":            func(v *survey) { v.going.Harm = []ledger.Batch{{Record: harmed}} },
		"it is named finally":     func(v *survey) { v.going.Final = []ledger.Batch{{Record: final}} },
		"a table tells of less":   func(v *survey) { v.slab(1).short = true },
		"nobody knows its frames": func(v *survey) { v.slab(1).frames = nil },
		"nothing of it is wanted": func(v *survey) { clear(v.wanted) },
		"a mark can't be read":    func(v *survey) { v.going.Final = []ledger.Batch{{Info: storage.Info{Modified: time.Now()}}} },
		"it is absent":            func(v *survey) { s := v.slab(1); v.absent[s.id] = s; delete(v.stock, s.id); v.order = v.order[1:] },
		"nothing of that":         nil,
		"another one is harmed": func(v *survey) {
			v.going.Harm = []ledger.Batch{{Record: &format.BatchRecord{Harmed: []format.HarmedSlab{{Slab: format.SlabID{2}}}}}}
		},
		"the other one is removed": func(v *survey) {
			v.going.Final = []ledger.Batch{{Record: &format.BatchRecord{Slabs: []format.SlabID{{2}}}}}
		},
	} {
		v := surveyed([][]format.Frame{{plain()}, {plain()}})
		v.set(v.wanted, place{1, 0}, place{2, 0})
		v.walked["r"] = []*stocked{v.slab(1)}
		s := v.slab(1)
		stays := !slices.Contains([]string{"nothing of that", "another one is harmed", "the other one is removed"}, name)
		if change != nil {
			change(v)
		}
		if v.staying(nil)[s] != stays {
			t.Errorf("%s: it stays %t", name, !stays)
		}
	}
	v := surveyed([][]format.Frame{{plain()}})
	v.blind = v.slab(1)
	v.captures = []*ledger.Capture{{IndexFile: &format.IndexFile{ID: one, Seen: &format.Recipe{}}}}
	v.walked[weave.RecipeKey(&format.Recipe{})] = []*stocked{v.slab(1)}
	if lots, err := v.withoutDeltas(t.Context(), nil, map[format.SlabID]bool{{1}: false}); err != nil || len(lots) > 0 {
		t.Errorf("where nothing is freed %v is stored anew, %v", lots, err)
	}
}

// TestLotsThatStay: a slab on which one stands that can't be moved is not stored anew without it.
func TestLotsThatStay(t *testing.T) {
	for _, harmed := range []byte{0, 1, 2, 3} {
		v := surveyed([][]format.Frame{{plain()}, {standing(1, on(1, 0))}, {plain()}})
		for _, b := range []bitset{v.wanted, v.needed} {
			v.set(b, place{1, 0}, place{2, 0}, place{3, 0})
		}
		v.captures = []*ledger.Capture{{IndexFile: &format.IndexFile{ID: one, Seen: &format.Recipe{}}}}
		v.walked[weave.RecipeKey(&format.Recipe{})] = v.order
		v.going.Harm = []ledger.Batch{{Record: &format.BatchRecord{Harmed: []format.HarmedSlab{{Slab: format.SlabID{harmed}, Frames: []uint32{0}}}}}}
		lots, err := v.withoutDeltas(t.Context(), nil, map[format.SlabID]bool{{1}: false, {2}: false, {3}: false})
		want := map[byte]int{0: 3, 1: 2, 2: 1, 3: 2}[harmed] // of 1 and 2; of 2, which can be moved alone; of 3
		if err != nil || len(lots) != want {
			t.Errorf("slab %d is harmed: %d lots, not %d; %v", harmed, len(lots), want, err)
		}
	}
}
