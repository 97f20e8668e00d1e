package weigh

import (
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
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
						tally.need(t.Context(), known.Ref(n))
					}
					if needs>>n&1 == 1 {
						tally.need(t.Context(), known.Ref(n))
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
