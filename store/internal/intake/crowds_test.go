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
	count := func(bases ...format.Base) {
		on := GroupsOf(bases)
		for _, b := range bases {
			if b.Slab == two {
				on = on.With(GroupsOf([]format.Base{{Slab: one, First: 3, Count: 1}}))
			}
		}
		c.Count(on)
	}
	count(format.Base{Slab: one, First: 0, Count: 2}, format.Base{Slab: one, First: 14, Count: 4}, format.Base{Slab: two, First: 40, Count: 1})
	count(format.Base{Slab: two, First: 47, Count: 1})
	for at, want := range map[format.Base]uint32{
		{Slab: one, First: 0, Count: 16}: 2, {Slab: one, First: 16, Count: 16}: 1, {Slab: two, First: 32, Count: 16}: 2, {Slab: two, First: 16, Count: 16}: 0,
	} {
		if got := c.On(at); got != want {
			t.Errorf("%d frames stand on the group of chunk %d, not %d", got, at.First, want)
		}
	}
	for range mostStanding - 2 {
		if c.full(spanOf(format.Base{Slab: one, First: 15, Count: 1})) {
			t.Fatal("a group is full too early")
		}
		count(format.Base{Slab: two, First: 40, Count: 1})
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
	var own, others Crowds
	for range 3 {
		others.Count(GroupsOf([]format.Base{base, {Slab: slab, First: 20, Count: 1}}))
	}
	own.Count(GroupsOf([]format.Base{base}))
	for _, c := range []*Crowds{&own, new(Crowds)} {
		had := c.On(base)
		c.Add(&others)
		c.Count(GroupsOf([]format.Base{base, base}))
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
	var all Crowds
	for range notedStanding {
		all.Count(GroupsOf([]format.Base{{Slab: many, First: 16, Count: 1}, {Slab: other, First: 0, Count: 1}}))
	}
	for range notedStanding - 1 {
		all.Count(GroupsOf([]format.Base{{Slab: few, First: 0, Count: 1}}))
	}
	noted := all.Noted(map[format.SlabID]bool{many: true, few: true})
	if want := []format.CrowdRecord{{Slab: many, Group: 1, Frames: notedStanding}}; !slices.Equal(noted, want) {
		t.Fatalf("noted: %v, want %v", noted, want)
	}
	var c Crowds
	base := format.Base{Slab: many, First: 31, Count: 1}
	c.Recall(noted)
	for range mostStanding - notedStanding {
		if c.full(spanOf(base)) {
			t.Fatal("a group is full too early")
		}
		c.Count(GroupsOf([]format.Base{base}))
	}
	if !c.full(spanOf(base)) || len(c.Noted(map[format.SlabID]bool{few: true})) > 0 {
		t.Error("what was noted does not count")
	}
	if c.Add(new(Crowds)); c.full(spanOf(base)) {
		t.Error("what was noted counts once all is counted")
	}
}
