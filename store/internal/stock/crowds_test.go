package stock

import (
	"context"
	"errors"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// wideRecord lists frames that stand on as many chunks as a table can say, of the frames of other slabs.
func wideRecord(t testing.TB, slab format.SlabID, frames int, depth uint32, on ...format.SlabID) *format.SlabRecord {
	t.Helper()
	rec := &format.SlabRecord{Slab: slab}
	for n := range frames {
		f := format.TableFrame{Kind: format.Delta, Sealed: 100, Chunks: []uint32{5}, IDs: make([]byte, 16)}
		f.Depth, f.Copies = depth, 1
		for i := range format.MaxBases {
			f.Bases = append(f.Bases, format.Base{Slab: on[i%len(on)], First: uint32(n+i) % uint32(frames), Count: format.MaxFrameChunks})
		}
		if listed := f.Frame(); listed.Check() != nil {
			t.Fatal(listed.Check())
		}
		rec.Frames = append(rec.Frames, f)
	}
	return rec
}

// wideRecords are some slabs of such frames, and one whose frames stand on these.
func wideRecords(t testing.TB, frames int) (all []*format.SlabRecord) {
	var lower []format.SlabID
	for n := range byte(format.MaxBaseFrames) {
		lower = append(lower, format.SlabID{n + 1})
		all = append(all, wideRecord(t, lower[n], frames, 1, format.SlabID{101}, format.SlabID{102}))
	}
	return append(all, wideRecord(t, format.SlabID{100}, frames, 2, lower...))
}

// TestWideCrowds: of each frame no more is gone through than the bases that it may have, and those of as many frames as it may
// stand on, whatever these say; and each is counted once for what it stands on by any number of ways.
func TestWideCrowds(t *testing.T) {
	const frames = 100
	records := wideRecords(t, frames)
	all := foundationsOf(records)
	for _, rec := range records {
		for i := range rec.Frames {
			if n := len(all.below(&rec.Frames[i])); n > format.MaxBaseFrames {
				t.Fatalf("the bases of %d frames are looked at, for one", n)
			}
			if n := len(all.under(&rec.Frames[i])); n > format.MaxBases*(1+format.MaxBaseFrames) {
				t.Fatalf("%d spans of groups, for one frame", n)
			}
		}
	}
	for slab, s := range all {
		if len(s.groups) > len(s.frames) {
			t.Errorf("slab %s: groups of %d frames are kept, of %d", slab, len(s.groups), len(s.frames))
		}
	}
	crowds, err := countCrowds(t.Context(), records, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, slab := range []byte{101, 102} { // by all frames, each once
		if n := crowds.On(format.Base{Slab: format.SlabID{slab}, First: frames, Count: 1}); n != (format.MaxBaseFrames+1)*frames {
			t.Errorf("%d frames stand on slab %d", n, slab)
		}
	}
}

// TestCountCrowds counts by hand what stands on what by way of others: many bases in one frame are one frame, and what is counted
// already is passed over, but for what others stand on by it.
func TestCountCrowds(t *testing.T) {
	plain, lower, upper := format.SlabID{1}, format.SlabID{2}, format.SlabID{3}
	on := func(chunks int, depth uint32, bases ...format.Base) format.TableFrame {
		return format.TableFrame{Chunks: make([]uint32, chunks), Standing: format.Standing{Depth: depth, Bases: bases}}
	}
	at := func(slab format.SlabID, chunk uint32) format.Base {
		return format.Base{Slab: slab, First: chunk, Count: 1}
	}
	var ten []format.Base
	for n := range uint32(10) {
		ten = append(ten, at(lower, n))
	}
	records := []*format.SlabRecord{
		{Slab: lower, Frames: []format.TableFrame{on(10, 1, at(plain, 0), at(plain, 16)), on(5, 1, at(plain, 3), at(plain, 40))}},
		{Slab: upper, Frames: []format.TableFrame{on(1, 2, append(ten, at(lower, 14), at(plain, 50))...), on(1, 2, at(lower, 12))}},
	}
	for _, test := range []struct {
		name    string
		counted func(format.SlabID) bool
		want    map[format.Base]uint32
	}{
		{"all", nil, map[format.Base]uint32{at(plain, 0): 4, at(plain, 16): 2, at(plain, 32): 3, at(plain, 48): 1, at(plain, 64): 0, at(lower, 0): 2}},
		{"the upper ones", func(id format.SlabID) bool { return id == lower },
			map[format.Base]uint32{at(plain, 0): 2, at(plain, 16): 1, at(plain, 32): 2, at(plain, 48): 1, at(lower, 0): 2}},
	} {
		crowds, err := countCrowds(t.Context(), records, test.counted)
		if err != nil {
			t.Fatal(err)
		}
		for b, want := range test.want {
			if got := crowds.On(b); got != want {
				t.Errorf("%s: %d frames stand on chunk %d of slab %s, not %d", test.name, got, b.First, b.Slab, want)
			}
		}
	}
}

// ending is a context that ends once it has been asked for so often whether it did.
type ending struct {
	context.Context
	left int
}

func (e *ending) Err() error {
	if e.left--; e.left < 0 {
		return context.Canceled
	}
	return nil
}

// TestCrowdsEnd: who ends the call is heeded between frames.
func TestCrowdsEnd(t *testing.T) {
	ended := errors.New("ended")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(ended)
	counts := 0
	counted := func(format.SlabID) bool { counts++; return false }
	if _, err := countCrowds(&ending{ctx, 3}, wideRecords(t, 2), counted); !errors.Is(err, ended) {
		t.Error(err)
	}
	if counts != 2 {
		t.Errorf("%d slabs were begun, of two frames each, when it ended in the fourth frame", counts)
	}
}

// BenchmarkWideCrowds counts what 200 frames a slab with bases of all that can be named stand on, in nine slabs.
func BenchmarkWideCrowds(b *testing.B) {
	records := wideRecords(b, 200)
	length := 0
	for _, rec := range records {
		length += len(rec.Encode())
	}
	b.SetBytes(int64(length))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := countCrowds(b.Context(), records, nil); err != nil {
			b.Fatal(err)
		}
	}
}
