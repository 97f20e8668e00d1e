package mend

import (
	"errors"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

var harmedSlab, wholeSlab = format.SlabID{1}, format.SlabID{2}

// TestLost: chunks of frames that can't be read, and those that nobody knows.
func TestLost(t *testing.T) {
	for name, c := range map[string]struct {
		b    *badSlab
		want []bool // of chunks 0 to 2
	}{
		"a slab that is not bad": {nil, []bool{false, false, false}},
		"as a whole":             {&badSlab{}, []bool{true, true, true}},
		"one frame":              {&badSlab{bad: []bool{false, true, false}}, []bool{false, true, false}},
		"more than there are":    {&badSlab{bad: []bool{false}}, []bool{false, true, true}},
	} {
		for n, want := range c.want {
			if got := c.b.lost(uint32(n)); got != want {
				t.Errorf("%s: chunk %d is lost: %v", name, n, got)
			}
		}
	}
}

// TestReplace takes lost chunks from elsewhere, and of a recipe that is not what was
// captured those as well that a table said are others.
func TestReplace(t *testing.T) {
	kept, other, nowhere := crypt.Identity{1}, crypt.Identity{2}, crypt.Identity{3}
	index := known.New()
	if err := index.AddSlab(wholeSlab, []format.TableFrame{{Chunks: []uint32{10, 10}, IDs: slices.Concat(kept[:], other[:])}}); err != nil {
		t.Fatal(err)
	}
	bad := &badSlab{
		bad: []bool{true, false, true}, ids: []crypt.Identity{kept, nowhere, nowhere},
		said: map[uint32][]crypt.Identity{1: {nowhere, other}},
	}
	run := format.Run{Slab: harmedSlab, First: 0, Count: 3, Times: 1}
	for name, c := range map[string]struct {
		wrong bool
		want  []format.Run
	}{
		"as captured": {false, []format.Run{{Slab: wholeSlab, First: 0, Count: 1, Times: 1}, {Slab: harmedSlab, First: 1, Count: 1, Times: 1}, {First: 2, Count: 1, Times: 1}}},
		"another one": {true, []format.Run{{Slab: wholeSlab, First: 0, Count: 1, Times: 1}, {Slab: wholeSlab, First: 1, Count: 1, Times: 1}, {First: 2, Count: 1, Times: 1}}},
	} {
		h := &healer{index: index, bad: map[format.SlabID]*badSlab{harmedSlab: bad}, wrong: c.wrong}
		var got []format.Run
		moved := false
		for r, err := range h.replace(fetch.Inline([]format.Run{run, {Slab: wholeSlab, Count: 2, Times: 1}}), &moved, false) {
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, r)
		}
		if want := append(c.want, format.Run{Slab: wholeSlab, Count: 2, Times: 1}); !slices.Equal(got, want) || !moved {
			t.Errorf("%s: %v, not %v; moved %v", name, got, want, moved)
		}
	}
}

// TestWhole ends at a chunk that is nowhere.
func TestWhole(t *testing.T) {
	runs := []format.Run{{Slab: wholeSlab, Count: 1, Times: 1}, {Count: 1, Times: 1}, {Slab: wholeSlab, Count: 1, Times: 1}}
	var got []error
	for _, err := range whole(fetch.Inline(runs)) {
		got = append(got, err)
	}
	if len(got) != 2 || got[0] != nil || !errors.Is(got[1], errLost) {
		t.Errorf("the runs give %v", got)
	}
}
