package reclaim

import (
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// TestVictims: of slabs that are partly dead those are moved that something wants; one that retired captures alone need goes with
// them, and so nothing below it is moved before.
func TestVictims(t *testing.T) {
	half := []format.Frame{plain(), plain()}
	for name, c := range map[string]struct {
		slabs        [][]format.Frame
		want, retire []place
		victims      []byte
	}{
		"wanted":                              {[][]format.Frame{half}, []place{{1, 0}}, nil, []byte{1}},
		"whole":                               {[][]format.Frame{half}, []place{{1, 0}, {1, 1}}, nil, nil},
		"retired":                             {[][]format.Frame{half}, nil, []place{{1, 0}}, nil},
		"partly wanted, all needed":           {[][]format.Frame{half}, []place{{1, 0}}, []place{{1, 1}}, nil},
		"beside one that retired ones need":   {[][]format.Frame{half, half}, []place{{1, 0}}, []place{{2, 0}}, []byte{1}},
		"with what stands on it":              {[][]format.Frame{half, {standing(1, on(1, 0)), plain()}}, []place{{1, 0}, {2, 0}}, nil, []byte{1, 2}},
		"below one that retired ones need":    {[][]format.Frame{half, {standing(1, on(1, 0))}}, []place{{1, 0}}, []place{{2, 0}}, nil},
		"below one that nothing needs at all": {[][]format.Frame{half, {standing(1, on(1, 0))}}, []place{{1, 0}}, nil, []byte{1}},
	} {
		v := surveyed(c.slabs)
		for _, b := range []bitset{v.wanted, v.needed, v.asked} {
			v.set(b, c.want...)
		}
		for _, b := range []bitset{v.needed, v.asked} {
			v.set(b, c.retire...)
		}
		v.holdBases()
		got := victimIDs(v, 0.01)
		if !slices.Equal(got, c.victims) {
			t.Errorf("%s: %v are moved, not %v", name, got, c.victims)
		}
	}
}

// needAndHold has a capture need chunks, and what they stand on held.
func needAndHold(v *survey, all []place) {
	for _, b := range []bitset{v.wanted, v.needed, v.asked} {
		v.set(b, all...)
	}
	v.holdBases()
}

// victimIDs gives the first bytes of the ids of what is moved, sorted.
func victimIDs(v *survey, minDead float64) (ids []byte) {
	for _, s := range v.victims(minDead, nil) {
		ids = append(ids, s.id[0])
	}
	slices.Sort(ids)
	return ids
}

// TestLeastGain: where what is dead can't be moved, nothing else is for hardly a gain.
func TestLeastGain(t *testing.T) {
	for chunks, want := range map[int][]byte{120: nil, 80: {3}} {
		v := surveyed([][]format.Frame{slices.Repeat([]format.Frame{plain()}, 20), {standing(1, on(1, 0))}, slices.Repeat([]format.Frame{plain()}, chunks)})
		v.going.Harm = []ledger.Batch{{Record: &format.BatchRecord{Harmed: []format.HarmedSlab{{Slab: format.SlabID{2}, Frames: []uint32{0}}}}}}
		all := []place{{1, 0}, {2, 0}}
		for n := range chunks - 1 {
			all = append(all, place{3, n})
		}
		needAndHold(v, all)
		got := victimIDs(v, 0)
		if !slices.Equal(got, want) {
			t.Errorf("with %d chunks, one of them dead, %v are moved, not %v", chunks, got, want)
		}
	}
}

// TestBasesComeFree: what no recipe names is no reason to stay where all that it holds is moved with it, though nothing is dead: unless what
// is promised of that is at most 3 % of what is stored, or less than a tenth of what is moved for it.
func TestBasesComeFree(t *testing.T) {
	for name, c := range map[string]struct {
		within, beside int // chunks that are needed
		want           []byte
	}{
		"much of what is stored":   {0, 1, []byte{1, 2}},
		"little of what is stored": {0, 30, nil},
		"little of what is moved":  {1, 1, nil},
	} {
		v := surveyed([][]format.Frame{slices.Repeat([]format.Frame{plain()}, 1+c.within), {standing(1, on(1, 0))}, slices.Repeat([]format.Frame{plain()}, c.beside)})
		all := []place{{2, 0}}
		for n := range c.within {
			all = append(all, place{1, 1 + n})
		}
		for n := range c.beside {
			all = append(all, place{3, n})
		}
		needAndHold(v, all)
		got := victimIDs(v, 0)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v are moved, not %v", name, got, c.want)
		}
	}
}

// TestWritten: what is dead is promised, and half of what comes free as something takes the place of its base.
func TestWritten(t *testing.T) {
	for name, c := range map[string]struct {
		slabs [][]format.Frame
		asked []place
		want  int64
	}{
		"half is dead":             {[][]format.Frame{{plain(), plain()}}, []place{{1, 0}}, 50},
		"a base takes its place":   {[][]format.Frame{{plain()}, {standing(1, on(1, 0))}}, []place{{2, 0}}, 50 + 5},
		"and something is dead":    {[][]format.Frame{{plain(), plain()}, {standing(1, on(1, 0))}}, []place{{2, 0}}, 50 + 5},
		"nothing takes less place": {[][]format.Frame{{plain()}, {standing(1, on(1, 0))}}, []place{{1, 0}, {2, 0}}, 60},
	} {
		v := surveyed(c.slabs)
		for _, b := range []bitset{v.wanted, v.needed, v.asked} {
			v.set(b, c.asked...)
		}
		v.holdBases()
		if got := v.written(v.order); got != c.want {
			t.Errorf("%s: %d bytes, not %d", name, got, c.want)
		}
	}
}

// TestPromisedOfCrowds: where many frames stand on the same, and many on those of other slabs, two thirds are promised.
func TestPromisedOfCrowds(t *testing.T) {
	for name, c := range map[string]struct {
		same, others int // frames that stand on the first chunk, and on one each
		want         int64
	}{
		"a crowd":        {crowd, 0, 34},
		"nearly one":     {crowd - 1, 0, 50},
		"and some more":  {crowd - 1, crowd, 50},
		"each on others": {0, 2 * crowd, 50},
	} {
		const apart = 40 // chunks between bases: more than are counted together
		above := slices.Repeat([]format.Frame{standing(1, on(1, 0))}, c.same)
		for i := range c.others {
			above = append(above, standing(1, on(1, uint32(apart*(i+1)))))
		}
		v := surveyed([][]format.Frame{slices.Repeat([]format.Frame{plain()}, apart*(c.others+1)+1), above})
		var all []place
		for n := range v.slab(1).chunks - 1 {
			all = append(all, place{1, n})
		}
		for n := range above {
			all = append(all, place{2, n})
		}
		needAndHold(v, all)
		freed, size := v.freed(v.order)
		if got := v.promised(v.order, freed); freed != 50 || got != c.want || v.written(v.order) != size-c.want {
			t.Errorf("%s: %d bytes come free, %d are promised, not %d", name, freed, got, c.want)
		}
	}
}

// TestMovable: what stands on a slab comes before it, and what stays has all that it stands on stay. So do those of a circle.
func TestMovable(t *testing.T) {
	circle := [][]format.Frame{{standing(1, on(2, 0))}, {standing(1, on(1, 0))}, {plain()}}
	fork := [][]format.Frame{{plain()}, {plain()}, {standing(1, on(1, 0), on(2, 0))}, {standing(1, on(1, 0))}}
	for name, c := range map[string]struct {
		slabs  [][]format.Frame
		absent []byte
		stays  []byte
		want   []byte
	}{
		"a fork":                {fork, nil, nil, []byte{4, 3, 1, 2}},
		"the upper ones stay":   {fork, nil, []byte{3}, []byte{4}},
		"a lower one stays":     {fork, nil, []byte{1}, []byte{4, 3, 2}},
		"an upper one is there": {fork, []byte{4}, nil, []byte{3, 2}},
		"a circle":              {circle, nil, nil, []byte{3}},
	} {
		v := surveyed(c.slabs, c.absent...)
		for i := range v.needed {
			v.needed[i] = ^uint64(0)
		}
		stays := make(map[*stocked]bool)
		for _, n := range slices.Concat(c.stays, c.absent) {
			stays[v.slab(n)] = true
		}
		var got []byte
		for _, s := range v.movable(stays) {
			got = append(got, s.id[0])
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v, not %v", name, got, c.want)
		}
	}
}

// TestLots: of a long chain, each slab of which has something dead, all lots together are a bounded number of times as long; each
// has all that stands on what is in it, and together they have all.
func TestLots(t *testing.T) {
	for _, n := range []int{1, mostLot, mostLot + 1, 3000} {
		slabs := [][]format.Frame{{plain(), plain()}}
		for i := 1; i < n; i++ {
			slabs = append(slabs, []format.Frame{plain(), standing(1, format.Base{Slab: slabID(i), Count: 1})})
		}
		v := surveyed(slabs)
		for _, s := range v.order {
			v.needed.set(s.first)
		}
		had, all := make(map[*stocked]bool), 0
		for _, lot := range v.lots(v.movable(nil)) {
			in := make(map[*stocked]bool)
			for _, s := range lot {
				in[s], had[s] = true, true
			}
			for _, s := range lot {
				for _, above := range s.above {
					if !in[above] {
						t.Fatalf("%d slabs: a lot of %d lacks what stands on one of it", n, len(lot))
					}
				}
			}
			all += len(lot)
		}
		if len(had) != n || all > (mostLot+lotSteps)*n {
			t.Errorf("%d slabs: %d are in lots, of %d together", n, len(had), all)
		}
	}
}
