package known

import (
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// TestFindAdded finds what Add added once it is placed: by slab and number, also where frames come in another order than
// their chunks.
func TestFindAdded(t *testing.T) {
	x, ids := New(), identities(3, 7)
	if err := x.AddSlab(slabID(0), tableFrames(ids[:2], 2)); err != nil {
		t.Fatal(err)
	}
	var refs []Ref
	for i, frame := range []int{0, 1, 0, 1, 1} {
		ref, err := x.Add(ids[2+i], frame, []int{0, 0, 1, 1, 2}[i])
		if err != nil {
			t.Fatal(err)
		}
		refs = append(refs, ref)
	}
	x.PlaceFrame(1, slabID(1), 0)
	x.PlaceFrame(0, slabID(2), 4)
	if _, ok := x.Find(slabID(1), 0); ok {
		t.Error("found before it may be")
	}
	if first, _ := x.Lookup(ids[0]); !x.CanFind(first) || x.CanFind(refs[0]) {
		t.Error("before it is found, it is said that it can be, or what AddSlab added can't")
	}
	x.FindAdded()
	if first, _ := x.Lookup(ids[0]); !x.CanFind(first) || !x.CanFind(refs[0]) || !x.CanFind(refs[4]) {
		t.Error("what is found can't be")
	}
	late, err := x.Add(identities(4, 1)[0], 2, 0)
	if err != nil || x.CanFind(late) {
		t.Errorf("what was added since can be found, %v", err)
	}
	for i, want := range []position{{slabID(2), 4}, {slabID(1), 0}, {slabID(2), 5}, {slabID(1), 1}, {slabID(1), 2}} {
		for _, find := range []func(format.SlabID, uint32) (Ref, bool){x.Find, x.FindBeside} {
			if ref, ok := find(want.slab, want.chunk); !ok || ref != refs[i] {
				t.Errorf("chunk %d of %s: %d, %v; want %d", want.chunk, want.slab, ref, ok, refs[i])
			}
		}
		if slab, chunk := x.Locate(refs[i]); slab != want.slab || chunk != want.chunk {
			t.Errorf("chunk %d lies in %s at %d", i, slab, chunk)
		}
	}
	for _, none := range []position{{slabID(1), 3}, {slabID(2), 0}, {slabID(3), 0}} {
		if _, ok := x.Find(none.slab, none.chunk); ok {
			t.Errorf("%v is found", none)
		}
	}
	if ref, ok := x.Find(slabID(0), 1); !ok || x.ID(ref) != ids[1] {
		t.Error("what AddSlab added is not found any more")
	}
}

// TestElsewhere locates what lies in slabs that AddSlab did not add, which is found by its identity alone.
func TestElsewhere(t *testing.T) {
	x, ids := New(), identities(5, 4)
	if _, err := x.Add(ids[0], 0, 0); err != nil {
		t.Fatal(err)
	}
	ref, err := x.AddElsewhere(ids[1], slabID(9), 7)
	if err != nil {
		t.Fatal(err)
	}
	x.PlaceFrame(0, slabID(1), 0)
	x.FindAdded()
	if x.CanFind(ref) {
		t.Error("what lies elsewhere can be found")
	}
	if got, ok := x.Lookup(ids[1]); !ok || got != ref {
		t.Errorf("chunk %d is found, %v", got, ok)
	}
	if slab, chunk := x.Locate(ref); slab != slabID(9) || chunk != 7 {
		t.Errorf("it lies in %s at %d", slab, chunk)
	}
	if _, ok := x.Find(slabID(9), 7); ok {
		t.Error("it is found by its place")
	}
	if _, ok := x.Find(slabID(1), 0); !ok {
		t.Error("what was added before is not found")
	}
}
