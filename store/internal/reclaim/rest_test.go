package reclaim

import (
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// TestRest: a delta takes what it took as far as its bases stay or are moved with it, and else what these took.
func TestRest(t *testing.T) {
	padding := format.Frame{Kind: format.Zstd, Sealed: 7, Chunks: []uint32{5, 5}, Padding: true}
	dense, light := plain(), plain()
	dense.Sealed, light.Sealed = 90, 5
	two := standing(1, on(1, 0), on(1, 1))
	two.Chunks = []uint32{100, 100}
	for name, c := range map[string]struct {
		slabs  [][]format.Frame
		absent []byte
		asked  []place
		lot    []byte
		alone  bool
		harmed byte
		beside int64 // of the first slab
		want   int64
	}{
		"its base stays":                      {slabs: [][]format.Frame{{plain()}, {plain(), standing(1, on(1, 0))}}, asked: []place{{2, 0}, {2, 1}}, lot: []byte{2}, want: 60},
		"which does not help it alone":        {slabs: [][]format.Frame{{plain()}, {plain(), standing(1, on(1, 0))}}, asked: []place{{2, 0}, {2, 1}}, lot: []byte{2}, alone: true, want: 100},
		"its base is in its slab":             {slabs: [][]format.Frame{{plain(), standing(1, on(1, 0))}}, asked: []place{{1, 0}, {1, 1}}, lot: []byte{1}, alone: true, want: 60},
		"its base is moved with it":           {slabs: [][]format.Frame{{plain()}, {standing(1, on(1, 0))}}, asked: []place{{1, 0}, {2, 0}}, lot: []byte{1, 2}, want: 60},
		"its base is not moved":               {slabs: [][]format.Frame{{plain()}, {standing(1, on(1, 0))}}, asked: []place{{2, 0}}, lot: []byte{1, 2}, want: 50},
		"its base is absent":                  {slabs: [][]format.Frame{{plain()}, {plain(), standing(1, on(1, 0))}}, absent: []byte{1}, asked: []place{{2, 1}}, lot: []byte{2}, want: 100},
		"half of its bases stay":              {slabs: [][]format.Frame{{plain(), plain()}, {standing(1, on(1, 0), on(1, 1))}}, asked: []place{{1, 0}, {2, 0}}, lot: []byte{1, 2}, want: 50 + 10 + 20},
		"most of its bases stay":              {slabs: [][]format.Frame{{plain(), plain(), plain()}, {standing(1, on(1, 0), on(1, 1), on(1, 2))}}, asked: []place{{1, 0}, {1, 1}, {2, 0}}, lot: []byte{1, 2}, want: 50 + 50 + 10 + 13},
		"one that no recipe names":            {slabs: [][]format.Frame{{plain()}, {standing(1, on(1, 0))}}, asked: []place{{1, 0}}, lot: []byte{1, 2}, want: 50},
		"padding, of which nothing is needed": {slabs: [][]format.Frame{{plain(), padding}}, asked: []place{{1, 0}}, lot: []byte{1}, want: 57},
		"a base that its slab does not reach": {slabs: [][]format.Frame{{plain()}, {plain(), standing(1, on(1, 9))}}, asked: []place{{2, 1}}, lot: []byte{2}, want: 100},
		"two on one that is not moved":        {slabs: [][]format.Frame{{plain()}, {standing(1, on(1, 0))}, {standing(1, on(1, 0))}}, asked: []place{{2, 0}, {3, 0}}, lot: []byte{1, 2, 3}, want: 60},
		"two of which captures need one":      {slabs: [][]format.Frame{{plain()}, {standing(1, on(1, 0))}, {standing(1, on(1, 0))}}, asked: []place{{3, 0}}, lot: []byte{1, 2, 3}, want: 50},
		"by what its base takes":              {slabs: [][]format.Frame{{dense}, {standing(1, on(1, 0))}, {plain(), standing(2, on(2, 0))}}, asked: []place{{3, 0}, {3, 1}}, lot: []byte{1, 2, 3}, want: 50 + 90},
		"below its base is what stays":        {slabs: [][]format.Frame{{dense}, {standing(1, on(1, 0))}, {plain(), standing(2, on(2, 0))}}, asked: []place{{3, 0}, {3, 1}}, lot: []byte{2, 3}, want: 50 + 10},
		"its base is harmed":                  {slabs: [][]format.Frame{{plain()}, {plain(), standing(1, on(1, 0))}}, harmed: 1, asked: []place{{2, 0}, {2, 1}}, lot: []byte{2}, want: 100},
		"the first base is the first chunk's": {slabs: [][]format.Frame{{plain(), plain()}, {two}}, asked: []place{{1, 0}, {2, 0}}, lot: []byte{1, 2}, want: 50 + 5},
		"and the second one the second's":     {slabs: [][]format.Frame{{plain(), plain()}, {two}}, asked: []place{{1, 0}, {2, 1}}, lot: []byte{1, 2}, want: 50 + 50},
		"bases in a circle":                   {slabs: [][]format.Frame{{standing(1, on(2, 0))}, {standing(1, on(1, 0)), standing(1, on(1, 0))}}, asked: []place{{2, 1}}, lot: []byte{1, 2}, want: 10},
		"bases in a circle do not help alone": {slabs: [][]format.Frame{{standing(1, on(2, 0))}, {standing(1, on(1, 0))}, {plain(), standing(1, on(1, 0))}}, asked: []place{{3, 0}, {3, 1}}, lot: []byte{3}, alone: true, want: 150},
		"what lies beside them, by chunks":    {slabs: [][]format.Frame{{plain(), plain(), plain(), plain()}}, beside: 20, asked: []place{{1, 0}}, lot: []byte{1}, want: 50 + 5},
		"longer frames than the slab":         {slabs: [][]format.Frame{{plain(), plain()}}, beside: -20, asked: []place{{1, 0}}, lot: []byte{1}, want: 50},
		"no frames":                           {slabs: [][]format.Frame{{}}, beside: 20, lot: []byte{1}, want: 0},
		"a base of no chunks":                 {slabs: [][]format.Frame{{plain()}, {standing(1, format.Base{Slab: slabID(1)})}}, asked: []place{{2, 0}}, lot: []byte{2}, want: 10},
		"never less than it took":             {slabs: [][]format.Frame{{light}, {standing(1, on(1, 0))}}, asked: []place{{2, 0}}, lot: []byte{1, 2}, want: 10},
	} {
		v := surveyed(c.slabs, c.absent...)
		v.set(v.asked, c.asked...)
		v.order[0].info.Size += c.beside
		v.going.Harm = []ledger.Batch{{Record: &format.BatchRecord{Harmed: []format.HarmedSlab{{Slab: slabID(int(c.harmed)), Frames: []uint32{0}}}}}}
		var lot []*stocked
		for _, n := range c.lot {
			lot = append(lot, v.slab(n))
		}
		for range 2 { // what one reckoning marks, the next one does not find
			if got := v.rest(lot, c.alone); got != c.want {
				t.Errorf("%s: %d bytes, not %d", name, got, c.want)
			}
		}
		for _, s := range lot {
			if s.moves {
				t.Errorf("%s: slab %d is taken to move from now on", name, s.id[0])
			}
		}
	}
}

// TestForgedBases: however many bases a forged frame names, few are looked at, and one that is lost is reckoned once.
func TestForgedBases(t *testing.T) {
	const frames = 20
	wide := func(depth uint32, of int) []format.Frame {
		runs := make([]format.Base, format.MaxBases)
		for i := range runs {
			runs[i] = format.Base{Slab: slabID(of), Count: format.MaxFrameChunks}
		}
		all := make([]format.Frame, frames)
		for i := range all {
			all[i] = standing(depth, runs...)
		}
		return all
	}
	v := surveyed([][]format.Frame{{plain()}, wide(1, 1), wide(2, 2)})
	r := &reckoning{survey: v, alone: true, lost: make(map[int]float64)}
	for n := range frames {
		v.set(v.asked, place{3, n})
	}
	r.slab(v.slab(3))
	if len(r.bases) != mostReckoned || len(r.marked) != frames+1 {
		t.Errorf("%d bases of a frame, %d chunks that were lost", len(r.bases), len(r.marked))
	}
	given := 0
	eachBase(wide(1, 1)[0].Bases, 0, 1, func(format.SlabID, int) { given++ })
	if given != mostReckoned {
		t.Errorf("%d bases of a chunk", given)
	}
}
