package intake

import (
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// TestCrowds counts frames by hand: each once for a group of 16 chunks, with what it stands on by way of others.
func TestCrowds(t *testing.T) {
	one, two := format.NewSlabID(), format.NewSlabID()
	var c Crowds
	below := func(b format.Base) []format.Base {
		if b.Slab == two {
			return []format.Base{{Slab: one, First: 3, Count: 1}}
		}
		return nil
	}
	c.Count([]format.Base{{Slab: one, First: 0, Count: 2}, {Slab: one, First: 14, Count: 4}, {Slab: two, First: 40, Count: 1}}, below)
	c.Count([]format.Base{{Slab: two, First: 47, Count: 1}}, below)
	for at, want := range map[crowd]uint32{{one, 0}: 2, {one, 1}: 1, {two, 2}: 2, {two, 1}: 0} {
		if got := c.of[at].frames; got != want {
			t.Errorf("%d frames stand on group %d, not %d", got, at.group, want)
		}
	}
	for range mostStanding - 2 {
		if c.full(format.Base{Slab: one, First: 15, Count: 1}) {
			t.Fatal("a group is full too early")
		}
		c.Count([]format.Base{{Slab: two, First: 40, Count: 1}}, below)
	}
	a := &assembler{in: &Intake{cfg: Config{Crowds: &c}}, standing: make(map[int]int)}
	for _, test := range []struct {
		what string
		b    basis
		want bool
	}{
		{"full", basis{frame: -1, slab: one, n: 15}, true},
		{"the next group", basis{frame: -1, slab: one, n: 16}, false},
		{"on what is full", basis{frame: -1, slab: format.NewSlabID(), below: []format.Base{{Slab: one, First: 12, Count: 5}}}, true},
		{"of this session", basis{frame: 7}, false},
	} {
		if got := a.crowded(test.b); got != test.want {
			t.Errorf("%s: crowded %v", test.what, got)
		}
	}
	for range mostStanding {
		a.stand(&basis{frame: 7})
		a.stand(&basis{frame: -1, slab: one, n: 16})
	}
	if !a.crowded(basis{frame: 7}) || !a.crowded(basis{frame: -1, slab: one, n: 16}) {
		t.Error("what the session itself stands on is not counted")
	}
}

// What others count is added, and goes on to be counted once for each frame.
func TestCrowdsAdd(t *testing.T) {
	slab := format.NewSlabID()
	base := format.Base{Slab: slab, First: 3, Count: 1}
	below := func(format.Base) []format.Base { return nil }
	var own, others Crowds
	for range 3 {
		others.Count([]format.Base{base, {Slab: slab, First: 20, Count: 1}}, below)
	}
	own.Count([]format.Base{base}, below)
	for _, c := range []*Crowds{&own, new(Crowds)} {
		had := c.On(base)
		c.Add(&others)
		c.Count([]format.Base{base, base}, below)
		if got := c.On(base); got != had+3+1 {
			t.Errorf("%d frames stand on it, of %d and 3 and one more", got, had)
		}
		if got := c.On(format.Base{Slab: slab, First: 0, Count: 40}); got != had+3+1 || c.On(format.Base{Slab: slab, First: 16, Count: 2}) != 3 {
			t.Errorf("%d frames stand on the groups", got)
		}
	}
}

// What many stand on is noted, and counts beside what is counted until all is.
func TestCrowdsNoted(t *testing.T) {
	many, few, other := format.NewSlabID(), format.NewSlabID(), format.NewSlabID()
	below := func(format.Base) []format.Base { return nil }
	var all Crowds
	for range notedStanding {
		all.Count([]format.Base{{Slab: many, First: 16, Count: 1}, {Slab: other, First: 0, Count: 1}}, below)
	}
	for range notedStanding - 1 {
		all.Count([]format.Base{{Slab: few, First: 0, Count: 1}}, below)
	}
	noted := all.Noted(map[format.SlabID]bool{many: true, few: true})
	if want := []format.CrowdRecord{{Slab: many, Group: 1, Frames: notedStanding}}; !slices.Equal(noted, want) {
		t.Fatalf("noted: %v, want %v", noted, want)
	}
	var c Crowds
	base := format.Base{Slab: many, First: 31, Count: 1}
	c.Recall(noted)
	for range mostStanding - notedStanding {
		if c.full(base) {
			t.Fatal("a group is full too early")
		}
		c.Count([]format.Base{base}, below)
	}
	if !c.full(base) || len(c.Noted(map[format.SlabID]bool{few: true})) > 0 {
		t.Error("what was noted does not count")
	}
	if c.Add(new(Crowds)); c.full(base) {
		t.Error("what was noted counts once all is counted")
	}
}
