package intake

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// TestCrowdsModel counts random bases of frames, short and long ones, also above what was noted, as by groups one by one.
func TestCrowdsModel(t *testing.T) {
	type group struct {
		slab  format.SlabID
		group uint32
	}
	for seed := range uint64(50) {
		random := rand.New(rand.NewPCG(seed, 1))
		slabs := []format.SlabID{{1}, {2}, {3}}
		base := func() format.Base {
			b := format.Base{Slab: slabs[random.IntN(3)], First: random.Uint32N(600), Count: 1 + random.Uint32N(3)}
			if random.IntN(4) == 0 {
				b.Count = 1 + random.Uint32N(format.MaxFrameChunks)
			}
			return b
		}
		var c, others Crowds
		want, noted := make(map[group]uint32), make(map[group]uint32)
		var note []format.CrowdRecord
		for range random.IntN(5) {
			n := group{slabs[random.IntN(3)], random.Uint32N(40)}
			if noted[n] == 0 {
				noted[n] = 1 + random.Uint32N(mostStanding)
				note = append(note, format.CrowdRecord{Slab: n.slab, Group: n.group, Frames: noted[n]})
			}
		}
		c.Recall(note)
		check := func() {
			t.Helper()
			for range 3 {
				b, most := base(), uint32(0)
				for g := b.First / groupOf; g <= (b.First+b.Count-1)/groupOf; g++ {
					most = max(most, want[group{b.Slab, g}]+noted[group{b.Slab, g}])
				}
				if got := c.On(b); got != most {
					t.Fatalf("seed %d: %d frames stand on %+v, not %d", seed, got, b, most)
				}
			}
		}
		for n := range 60 {
			bases, stands := make([]format.Base, 1+random.IntN(6)), make(map[group]bool)
			for i := range bases {
				bases[i] = base()
				for chunk := bases[i].First; chunk < bases[i].First+bases[i].Count; chunk++ {
					stands[group{bases[i].Slab, chunk / groupOf}] = true
				}
			}
			on := GroupsOf(bases[:1]).With(GroupsOf(bases[1:]))
			if n == 20 {
				others.Count(on)
				c.Add(&others)
				noted = nil
			} else {
				c.Count(on)
			}
			for g := range stands {
				want[g]++
			}
			check()
		}
		many := make(map[group]uint32)
		for _, n := range c.Noted(map[format.SlabID]bool{slabs[0]: true, slabs[1]: true}) {
			many[group{n.Slab, n.Group}] = n.Frames
		}
		for g, n := range want {
			if n < notedStanding || g.slab == slabs[2] {
				n = 0
			}
			if many[g] != n {
				t.Fatalf("seed %d: %d frames are noted, not %d", seed, many[g], n)
			}
		}
	}
}

// TestCrowdsOfWide: what is kept of bases, and gone through to count them, is by their number and not by that of their chunks.
func TestCrowdsOfWide(t *testing.T) {
	const frames = 2000
	slab := format.NewSlabID()
	wide := make([]format.Base, format.MaxBases)
	for i := range wide {
		wide[i] = format.Base{Slab: slab, First: uint32(i) * format.MaxFrameChunks, Count: format.MaxFrameChunks - groupOf}
	}
	var c Crowds
	kept := func() (n int) {
		for _, of := range c.counted {
			n += len(of.steps) + len(of.edges)
		}
		return n
	}
	on := GroupsOf(wide)
	if len(on) != len(wide) {
		t.Fatalf("%d bases are %d spans", len(wide), len(on))
	}
	most := 0
	for range frames {
		before := kept()
		c.Count(on)
		if more := kept() - before; more > 2*len(wide) {
			t.Fatalf("a frame of %d bases has %d more counts kept", len(wide), more)
		}
		most = max(most, kept())
	}
	if most > fewEdges+3*2*len(wide) {
		t.Errorf("%d counts are kept of %d bases", most, len(wide))
	}
	if got := len(c.counted.within(on[0])); got > 0 {
		t.Errorf("to look at a base of %d chunks takes %d looks beside the first", wide[0].Count, got)
	}
	if c.On(wide[0]) != frames || c.On(format.Base{Slab: slab, First: format.MaxFrameChunks - groupOf, Count: 1}) != 0 {
		t.Error("it is not counted right")
	}
}

// TestBeneath gives what bases are likely to be those of a chunk, as if each of their chunks was looked at.
func TestBeneath(t *testing.T) {
	slab := format.NewSlabID()
	bases := []format.Base{{Slab: slab, First: 7, Count: 2}, {Slab: slab, First: 90, Count: 1}, {Slab: slab, First: 30, Count: 4}}
	all := []uint32{7, 8, 90, 30, 31, 32, 33}
	for chunks := 1; chunks < 20; chunks++ {
		for chunk := range chunks {
			at := chunk * len(all) / chunks
			var got []uint32
			for _, b := range beneath(bases, chunk, chunks) {
				if b.Slab != slab || b.Count != 1 {
					t.Fatalf("%+v", b)
				}
				got = append(got, b.First)
			}
			if want := all[max(0, at-1):min(len(all), at+2)]; !slices.Equal(got, want) {
				t.Errorf("chunk %d of %d: %v, want %v", chunk, chunks, got, want)
			}
		}
	}
}
