package stock

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

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
	blotted := func(p *presence) []*format.SlabRecord {
		got, err := p.blotBaseless(t.Context(), slices.Clone(records))
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	for _, rec := range blotted(p) {
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
	for _, rec := range blotted(relying) {
		for i := range rec.Frames {
			if got := rec.Frames[i].ID(0) == (crypt.Identity{}); got != want[rec.Slab][i] {
				t.Errorf("slab %s, frame %d: blotted %v by who relies on what is not named finally", rec.Slab, i, got)
			}
		}
	}
}

// rows are so many slabs, each of which stands on the next two, and the last on one that is not there.
type rows struct {
	n, looks int
	given    map[format.SlabID]int
}

func rowID(i int) (id format.SlabID) {
	binary.BigEndian.PutUint32(id[:], uint32(i))
	return id
}

// standing gives the slabs in the order in which least is known of those that a slab stands on.
func (r *rows) standing(yield func(format.SlabID, []format.SlabID) bool) {
	for i := range r.n {
		r.given[rowID(i)]++
		if !yield(rowID(i), []format.SlabID{rowID(i + 1), rowID(min(i+2, r.n))}) {
			return
		}
	}
}

func (r *rows) mayHold(id format.SlabID) bool {
	r.looks++
	return id != rowID(r.n)
}

// TestBaselessRows: however slabs stand on each other, each is gone through once.
func TestBaselessRows(t *testing.T) {
	r := &rows{n: 5000, given: make(map[format.SlabID]int)}
	bad, err := baselessOf(t.Context(), r.standing, r.mayHold)
	if err != nil || len(bad) != r.n || r.looks > 2*r.n {
		t.Errorf("%d slabs of %d, with %d looks, %v", len(bad), r.n, r.looks, err)
	}
	for id, times := range r.given {
		if times != 1 {
			t.Fatalf("slab %s was gone through %d times", id, times)
		}
	}
}

// TestBaselessOf holds slabs against what a search from each of them finds, circles among them.
func TestBaselessOf(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ids := rapid.IntRange(0, 9)
		standing := make(map[format.SlabID][]format.SlabID)
		for i, bases := range rapid.MapOfN(ids, rapid.SliceOfNDistinct(ids, 1, 3, rapid.ID), 0, 9).Draw(t, "standing") {
			for _, b := range bases {
				standing[rowID(i)] = append(standing[rowID(i)], rowID(b))
			}
		}
		gone := rowID(ids.Draw(t, "gone"))
		var want []format.SlabID
		for slab := range standing {
			seen, todo := map[format.SlabID]bool{}, []format.SlabID{slab}
			for i := 0; i < len(todo); i++ {
				for _, b := range standing[todo[i]] {
					if !seen[b] {
						seen[b], todo = true, append(todo, b)
					}
				}
			}
			if seen[gone] {
				want = append(want, slab)
			}
		}
		got, err := baselessOf(context.Background(), maps.All(standing), func(id format.SlabID) bool { return id != gone })
		byID := func(a, b format.SlabID) int { return bytes.Compare(a[:], b[:]) }
		slices.SortFunc(got, byID)
		slices.SortFunc(want, byID)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("%v, want %v, %v", got, want, err)
		}
	})
}

// TestBaselessEnds: who ends the call is heeded between slabs.
func TestBaselessEnds(t *testing.T) {
	ended := errors.New("ended")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(ended)
	r := &rows{n: 9, given: make(map[format.SlabID]int)}
	if _, err := baselessOf(&ending{ctx, 3}, r.standing, r.mayHold); err != ended || len(r.given) != 4 {
		t.Errorf("%d slabs were begun, %v", len(r.given), err)
	}
	p := &presence{exclude: &Exclusion{}}
	if _, err := p.blotBaseless(&ending{ctx, 3}, wideRecords(t, 2)); err != ended {
		t.Error(err)
	}
}

// BenchmarkBaseless goes through slabs that stand on each other in a row: ten times as many are to take ten times as long.
func BenchmarkBaseless(b *testing.B) {
	for _, n := range []int{4_000, 40_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			standing := make(map[format.SlabID][]format.SlabID)
			for i := range n {
				standing[rowID(i)] = []format.SlabID{rowID(i + 1)}
			}
			for b.Loop() {
				all, err := baselessOf(b.Context(), maps.All(standing), func(id format.SlabID) bool { return id != rowID(n) })
				if err != nil || len(all) != n {
					b.Fatal(len(all), err)
				}
			}
		})
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
