package weigh

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/vault"
)

// TestTally holds what captures and groups of them have alone and first against counting it anew for each chunk, for captures
// that need chunks at random.
func TestTally(t *testing.T) {
	const chunks = 12
	rng := rand.New(rand.NewPCG(1, 2))
	for round := range 300 {
		c, frame := &census{index: known.New()}, format.TableFrame{}
		for n := range chunks {
			frame.Chunks = append(frame.Chunks, 1)
			frame.IDs = append(binary.LittleEndian.AppendUint64(frame.IDs, uint64(n)+1), make([]byte, 8)...)
			c.sizes = append(c.sizes, 1<<n) // so that a sum tells of which chunks it is
		}
		if err := c.index.AddSlab(format.SlabID{1}, []format.TableFrame{frame}); err != nil {
			t.Fatal(err)
		}
		groups := make([][]int64, 1+rng.IntN(4)) // the chunks of each capture, as bits
		for g := range groups {
			for range 1 + rng.IntN(3) {
				groups[g] = append(groups[g], rng.Int64N(1<<chunks))
			}
		}
		tally := &tally{c: c, last: make([]uint32, chunks), several: make(bitset, 1), severalGroups: make(bitset, 1), groups: make([]Cost, len(groups))}
		var all []int64 // captures, and the group of each
		var of []int
		for g, captures := range groups {
			for _, needs := range captures {
				tally.captures, tally.groupOf = append(tally.captures, Cost{}), append(tally.groupOf, g)
				all, of = append(all, needs), append(of, g)
				for n := range chunks {
					for range rng.IntN(3) * int(needs>>n&1) { // a capture may need one again and again
						tally.need(t.Context(), known.Ref(n), format.MaxDepth+1)
					}
					if needs>>n&1 == 1 {
						tally.need(t.Context(), known.Ref(n), format.MaxDepth+1)
					}
				}
			}
		}
		for i, needs := range all {
			others, before := int64(0), int64(0)
			for j, theirs := range all {
				if j != i {
					others |= theirs
				}
				if j < i {
					before |= theirs
				}
			}
			if got, want := tally.captures[i], (Cost{Stored: needs, Alone: needs &^ others, Fresh: needs &^ before}); got.Stored != want.Stored || got.Alone != want.Alone || got.Fresh != want.Fresh {
				t.Fatalf("round %d, capture %d: %+v, not %+v", round, i, got, want)
			}
		}
		for g := range groups {
			ours, others, before := int64(0), int64(0), int64(0)
			for j, needs := range all {
				switch {
				case of[j] == g:
					ours |= needs
				case of[j] < g:
					before |= needs
					fallthrough
				default:
					others |= needs
				}
			}
			if got, want := tally.groups[g], (Cost{Stored: ours, Alone: ours &^ others, Fresh: ours &^ before}); got.Stored != want.Stored || got.Alone != want.Alone || got.Fresh != want.Fresh {
				t.Fatalf("round %d, group %d: %+v, not %+v", round, g, got, want)
			}
		}
	}
}

// TestForgedDepths follows what frames stand on by way of less depth alone, of slabs that are there and that are missing: so no
// circle, and no chain, is followed for long.
func TestForgedDepths(t *testing.T) {
	on := func(depth uint32, slab byte) format.TableFrame {
		f := format.TableFrame{Kind: format.Delta, Sealed: 100, Chunks: []uint32{1}, IDs: append(make([]byte, 15), slab+100)}
		f.Standing = format.Standing{Depth: depth, Copies: 1, Bases: []format.Base{{Slab: format.SlabID{slab}, Count: 1}}}
		return f
	}
	for name, test := range map[string]struct {
		there  []format.TableFrame        // of slabs 0, 1 and so on, one of each; the capture needs the first
		absent map[byte]format.TableFrame // by the slab
		want   int64                      // the slabs that are needed, as bits
	}{
		"two deep":               {[]format.TableFrame{on(2, 1), on(1, 2), {Sealed: 100, Chunks: []uint32{1}}}, nil, 0b111},
		"a chain":                {[]format.TableFrame{on(1, 1), on(1, 2), on(1, 3), on(1, 4)}, nil, 0b11},
		"a circle":               {[]format.TableFrame{on(2, 1), on(2, 0)}, nil, 0b11},
		"by way of a missing":    {[]format.TableFrame{on(2, 9), {Sealed: 100, Chunks: []uint32{1}}}, map[byte]format.TableFrame{9: on(1, 1)}, 0b11},
		"missing, a circle":      {[]format.TableFrame{on(2, 9), on(1, 9)}, map[byte]format.TableFrame{9: on(1, 8), 8: on(1, 9)}, 0b1},
		"missing, and a chain":   {[]format.TableFrame{on(2, 9), on(1, 2), on(1, 2)}, map[byte]format.TableFrame{9: on(1, 8), 8: on(1, 1)}, 0b1},
		"missing, of no depth":   {[]format.TableFrame{on(1, 9), on(1, 1)}, map[byte]format.TableFrame{9: on(1, 1)}, 0b1},
		"missing, of more depth": {[]format.TableFrame{on(1, 9), on(1, 1)}, map[byte]format.TableFrame{9: on(2, 1)}, 0b1},
	} {
		t.Run(name, func(t *testing.T) {
			c := &census{index: known.New(), absent: make(map[format.SlabID]absent)}
			for i, f := range test.there {
				f.IDs = append(make([]byte, 15), byte(i+1))
				rec := &format.SlabRecord{Slab: format.SlabID{byte(i)}, Frames: []format.TableFrame{f}}
				c.measure(rec)
				c.sizes[i] = 1 << i // so that a sum tells of which slabs it is
				if err := c.index.AddSlab(rec.Slab, rec.Frames); err != nil {
					t.Fatal(err)
				}
			}
			for slab, f := range test.absent {
				c.absent[format.SlabID{slab}] = newAbsent(&format.SlabRecord{Slab: format.SlabID{slab}, Frames: []format.TableFrame{f}})
			}
			n := len(test.there)
			tally := &tally{c: c, stood: make(map[place]uint32), last: make([]uint32, n), several: make(bitset, 1), severalGroups: make(bitset, 1), groups: make([]Cost, 1)}
			tally.captures, tally.groupOf = []Cost{{}}, []int{0}
			if err := tally.need(t.Context(), 0, format.MaxDepth+1); err != nil {
				t.Fatal(err)
			}
			if got := tally.captures[0].Stored; got != test.want {
				t.Errorf("needed are slabs %b, not %b", got, test.want)
			}
		})
	}
}

// counted counts how often it is asked whether it is over, as needAll does for each base.
type counted struct {
	context.Context
	asked int
}

func (c *counted) Err() error {
	c.asked++
	return c.Context.Err()
}

// TestBasesOnceForAFrame: what a frame stands on is gone through once, however many of its chunks a capture needs.
func TestBasesOnceForAFrame(t *testing.T) {
	base := format.TableFrame{Sealed: 100, Chunks: []uint32{1, 1}, IDs: bytes.Repeat([]byte{1}, 32)}
	wide := format.TableFrame{Kind: format.Delta, Sealed: 100, Chunks: []uint32{1, 1, 1, 1, 1}, IDs: bytes.Repeat([]byte{2}, 80)}
	wide.Standing = format.Standing{Depth: 1, Copies: 1, Bases: []format.Base{{Slab: format.SlabID{1}, Count: 1}, {Slab: format.SlabID{1}, First: 1, Count: 1}}}
	c := &census{index: known.New(), absent: make(map[format.SlabID]absent)}
	rec := &format.SlabRecord{Slab: format.SlabID{1}, Frames: []format.TableFrame{base, wide}}
	c.measure(rec)
	if err := c.index.AddSlab(rec.Slab, rec.Frames); err != nil {
		t.Fatal(err)
	}
	tally := &tally{c: c, stood: make(map[place]uint32), last: make([]uint32, 7), several: make(bitset, 1), severalGroups: make(bitset, 1), groups: make([]Cost, 1)}
	for capture := 1; capture <= 2; capture++ {
		tally.captures, tally.groupOf = append(tally.captures, Cost{}), append(tally.groupOf, 0)
		ctx := &counted{Context: t.Context()}
		for ref := known.Ref(2); ref < 7; ref++ {
			if err := tally.need(ctx, ref, format.MaxDepth+1); err != nil {
				t.Fatal(err)
			}
		}
		if ctx.asked != 2 {
			t.Errorf("capture %d: %d bases are gone through, of 2", capture, ctx.asked)
		}
	}
}

// TestRefs finds the chunks of runs, and says once of a run what is not there: a forged one may be of a million.
func TestRefs(t *testing.T) {
	c := &census{index: known.New()}
	if err := c.index.AddSlab(format.SlabID{1}, []format.TableFrame{{Sealed: 100, Chunks: []uint32{1, 1}, IDs: bytes.Repeat([]byte{7}, 32)}}); err != nil {
		t.Fatal(err)
	}
	runs := func(yield func(format.Run, error) bool) {
		for _, run := range []format.Run{{Slab: format.SlabID{1}, Count: 4}, {Slab: format.SlabID{2}, Count: 5}, {Slab: format.SlabID{1}, First: 1, Count: 1}} {
			if !yield(run, nil) {
				return
			}
		}
	}
	var got []string
	for ref, err := range c.refs(runs) {
		got = append(got, fmt.Sprint(ref, vault.IsDamage(err)))
	}
	if want := []string{"0 false", "1 false", "0 true", "0 true", "1 false"}; !slices.Equal(got, want) {
		t.Errorf("found %q, want %q", got, want)
	}
}
