package stock

import (
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// TestBlotBaseless: frames that stand on a slab that is not there, or on such frames, are not found; others of their slabs
// are, and what stands on these.
func TestBlotBaseless(t *testing.T) {
	gone, there := format.SlabID{1}, format.SlabID{2}
	frame := func(depth uint32, bases ...format.Base) format.TableFrame {
		id := crypt.Identity{9}
		return format.TableFrame{Chunks: []uint32{5}, IDs: id[:], Standing: format.Standing{Depth: depth, Bases: bases}}
	}
	on := func(slab format.SlabID, chunk uint32) format.Base {
		return format.Base{Slab: slab, First: chunk, Count: 1}
	}
	one, two := format.SlabID{3}, format.SlabID{4}
	records := []*format.SlabRecord{
		{Slab: two, Frames: []format.TableFrame{frame(2, on(one, 0)), frame(2, on(one, 1)), frame(1, on(there, 0)), frame(2, on(two, 2)), frame(2, on(there, 0), on(one, 0))}},
		{Slab: one, Frames: []format.TableFrame{frame(1, on(gone, 0)), frame(1, on(there, 0)), frame(0), frame(1, on(one, 2))}},
	}
	want := map[format.SlabID][]bool{two: {true, false, false, false, true}, one: {true, false, false, false}}
	p := &presence{exclude: &Exclusion{}, slabs: vault.SlabList{}}
	for _, id := range []format.SlabID{there, one, two} {
		p.slabs = append(p.slabs, vault.SlabObject{ID: id, Info: storage.Info{Size: 9}})
	}
	for _, rec := range p.blotBaseless(records) {
		for i := range rec.Frames {
			if got := rec.Frames[i].ID(0) == (crypt.Identity{}); got != want[rec.Slab][i] {
				t.Errorf("slab %s, frame %d: blotted %v", rec.Slab, i, got)
			}
		}
	}
	relying := &presence{exclude: &Exclusion{Slabs: map[format.SlabID]bool{gone: true}}, relied: &Relied{}}
	for _, rec := range relying.blotBaseless(records) {
		if got := rec.Frames[0].ID(0) == (crypt.Identity{}); !got {
			t.Errorf("slab %s, frame 0 stands on what is named finally", rec.Slab)
		}
	}
}

// TestThere: who relies on slabs without listing them asks for what they stand on, too, but where a capture needs them.
func TestThere(t *testing.T) {
	needed, alone, stands, circle, gone := format.SlabID{1}, format.SlabID{2}, format.SlabID{3}, format.SlabID{4}, format.SlabID{5}
	p := &presence{
		exclude: &Exclusion{}, relied: &Relied{Slabs: map[format.SlabID]bool{needed: true}}, whole: true, said: make(map[format.SlabID]bool),
		lengths: make(map[format.SlabID]uint64), looked: make(map[int]bool),
		bases: map[format.SlabID][]format.SlabID{needed: {gone}, alone: {needed}, stands: {alone, gone}, circle: {circle}},
	}
	for _, id := range []format.SlabID{alone, stands, circle} {
		p.slabs = append(p.slabs, vault.SlabObject{ID: id, Info: storage.Info{Size: 9}})
		p.lengths[id] = 9
	}
	for id, want := range map[format.SlabID]bool{needed: true, alone: true, stands: false, circle: false, gone: false} {
		if got := p.there(id); got != want {
			t.Errorf("slab %s: %v", id, got)
		}
	}
}
