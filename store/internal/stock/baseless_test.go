package stock

import (
	"os"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
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
	for _, rec := range p.blotBaseless(slices.Clone(records)) {
		for i := range rec.Frames {
			if got := rec.Frames[i].ID(0) == (crypt.Identity{}); got != want[rec.Slab][i] {
				t.Errorf("slab %s, frame %d: blotted %v", rec.Slab, i, got)
			}
		}
	}
	for _, rec := range records { // which may be kept, and are others' too
		for i := range rec.Frames {
			if rec.Frames[i].ID(0) == (crypt.Identity{}) {
				t.Errorf("slab %s, frame %d: the record that was given is another one", rec.Slab, i)
			}
		}
	}
	relying := &presence{exclude: &Exclusion{Slabs: map[format.SlabID]bool{gone: true}}, relied: &Relied{}}
	for _, rec := range relying.blotBaseless(slices.Clone(records)) {
		for i := range rec.Frames {
			if got := rec.Frames[i].ID(0) == (crypt.Identity{}); got != want[rec.Slab][i] {
				t.Errorf("slab %s, frame %d: blotted %v by who relies on what is not named finally", rec.Slab, i, got)
			}
		}
	}
}

// TestIsBad finds the frame of a chunk.
func TestIsBad(t *testing.T) {
	lost := format.SlabID{1}
	on := format.Standing{Depth: 1, Bases: []format.Base{{Slab: lost, Count: 1}}}
	s := newBaseless(&format.SlabRecord{Frames: []format.TableFrame{
		{Chunks: []uint32{5, 5}}, {Chunks: []uint32{5, 5, 5}, Standing: on}, {Chunks: []uint32{5}},
	}})
	s.find(1, func(b format.Base) bool { return b.Slab == lost })
	for chunk, want := range []bool{false, false, true, true, true, false, false} {
		if got := s.isBad(uint32(chunk)); got != want {
			t.Errorf("chunk %d is bad: %v", chunk, got)
		}
	}
}

// TestThere: who relies on slabs without listing them takes what a capture needs for there, but where it lists the folder, and asks
// for all else that slabs stand on, also those that a capture needs: it may need none of the frames that stand on that.
func TestThere(t *testing.T) {
	id := func(n byte) format.SlabID { return format.SlabID{n} }
	const needed, base, alone, stands, circle, gone, partly, lost, onLost, short, onShort, deep, longer = 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13
	p := &presence{
		exclude: &Exclusion{}, relied: &Relied{Slabs: make(map[format.SlabID]bool)}, whole: true, said: make(map[format.SlabID]bool),
		lengths: make(map[format.SlabID]uint64), looked: map[int]bool{lost: true, short: true}, cut: map[format.SlabID]uint64{id(short): 1},
		bases: map[format.SlabID][]format.SlabID{
			id(needed): {id(base)}, id(alone): {id(needed)}, id(stands): {id(alone), id(gone)}, id(circle): {id(circle)},
			id(partly): {id(base), id(gone)}, id(onLost): {id(lost)}, id(onShort): {id(short)}, id(deep): {id(needed), id(onLost)},
		},
	}
	for _, n := range []byte{needed, base, partly, lost, onLost, short, onShort, deep} {
		p.relied.Slabs[id(n)] = true
	}
	for _, n := range []byte{alone, stands, circle, short, longer} {
		p.slabs = append(p.slabs, vault.SlabObject{ID: id(n), Info: storage.Info{Size: 9}})
		p.lengths[id(n)] = 9
	}
	p.lengths[id(longer)] = 10
	for n, want := range map[byte]bool{
		needed: true, base: true, alone: true, stands: false, circle: false, gone: false,
		partly: false, lost: false, onLost: false, short: false, onShort: false, deep: false, longer: false,
	} {
		if got := p.there(id(n)); got != want {
			t.Errorf("slab %d: %v", n, got)
		}
	}
}

// TestAskForMany: once many slabs were asked for all are listed, and none is relied on that a final mark names, or where that fails.
func TestAskForMany(t *testing.T) {
	mem, key, cache := storage.NewMemory(), crypt.NewKeyFile(), t.TempDir()
	os.Chmod(cache, 0o700)
	newStock(t, mem, key)
	faulty := storagetest.NewFaulty(mem)
	r := openStock(t, faulty, key, cache) // tells of the tables that it puts
	id, _ := putSlabOf(t, r, "beans")
	info, err := mem.Stat(t.Context(), names.Slab(id))
	if err != nil {
		t.Fatal(err)
	}
	for name, test := range map[string]struct {
		exclude *Exclusion
		fails   bool
		want    bool
	}{
		"there": {&Exclusion{}, false, true}, "named finally": {&Exclusion{Slabs: map[format.SlabID]bool{id: true}}, false, false}, "no answer": {&Exclusion{}, true, false},
	} {
		p := newPresence(t.Context(), r, test.exclude, &Relied{})
		p.asked, p.lengths[id] = askedFor, uint64(info.Size)
		if faulty.Inject(); test.fails {
			faulty.Inject(storagetest.Fault{From: faulty.Calls(storagetest.Any)})
		}
		if got := p.there(id); got != test.want || p.whole == test.fails {
			t.Errorf("%s: relied on %v, want %v; all are listed: %v", name, got, test.want, p.whole)
		}
	}
}
