package known

import (
	"encoding/binary"
	"fmt"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// standingOn is a frame of a chunk that stands on some slabs.
func standingOn(id crypt.Identity, slabs ...format.SlabID) format.TableFrame {
	f := format.TableFrame{Kind: format.Delta, Sealed: 1, Chunks: []uint32{5}, IDs: id[:]}
	for _, s := range slabs {
		f.Bases = append(f.Bases, format.Base{Slab: s, Count: 1})
	}
	return f
}

// TestBases gives the slabs that one stands on, each once, but for itself and for frames that are not found; also where samples are
// kept, and where two tables list the slab.
func TestBases(t *testing.T) {
	own, a, b, c, d := slabID(0), slabID(1), slabID(2), slabID(3), slabID(4)
	id := identities(1, 1)[0]
	padding := standingOn(id, d)
	padding.Padding = true
	for _, sampled := range []bool{false, true} {
		x := New()
		if sampled {
			x.Bound(1, nil)
			if err := x.AddSlab(slabID(9), tableFrames(identities(9, 2), 2)); err != nil || !x.Sampled() {
				t.Fatalf("sampled %v, %v", x.Sampled(), err)
			}
		}
		for slab, frames := range map[format.SlabID][]format.TableFrame{
			own: {tableFrames(identities(2, 1), 1)[0], standingOn(id, b, own, a, b), standingOn(id, a), standingOn(crypt.Identity{}, c), padding},
			c:   {standingOn(crypt.Identity{}, a)},
			d:   {padding},
		} {
			if err := x.AddSlab(slab, frames); err != nil {
				t.Fatal(err)
			}
		}
		if err := x.AddSlab(own, []format.TableFrame{standingOn(id, d, b)}); err != nil {
			t.Fatal(err)
		}
		if got, want := x.Bases(own), []format.SlabID{b, a, d}; !slices.Equal(got, want) {
			t.Errorf("sampled %v: it stands on %v, not %v", sampled, got, want)
		}
		if len(x.Bases(c)) > 0 || !x.HasDeltas(own) || !x.HasDeltas(c) || x.HasDeltas(d) || x.HasDeltas(a) || !x.AnyDeltas() {
			t.Errorf("sampled %v: %v", sampled, x.standing)
		}
	}
}

// BenchmarkStand adds a slab whose frames stand on so many others: ten times as many are to take ten times as long.
func BenchmarkStand(b *testing.B) {
	for _, slabs := range []int{4_000, 40_000} {
		b.Run(fmt.Sprint(slabs), func(b *testing.B) {
			var frames []format.TableFrame
			for n := 0; n < slabs; n += format.MaxBaseFrames {
				on := make([]format.SlabID, format.MaxBaseFrames)
				for i := range on {
					binary.LittleEndian.PutUint32(on[i][:], uint32(n+i))
				}
				frames = append(frames, standingOn(crypt.Identity{1}, on...))
			}
			for b.Loop() {
				x := New()
				if x.stand(format.SlabID{11: 1}, frames); len(x.Bases(format.SlabID{11: 1})) != slabs {
					b.Fatal("not all are noted")
				}
			}
		})
	}
}
