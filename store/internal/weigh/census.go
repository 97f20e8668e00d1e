package weigh

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"sort"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Cost is what some captures cost together, in bytes. Plain, Deltas, Whole and Below are counted of groups alone.
type Cost struct {
	Captures int
	Captured int64 // length of their streams
	Plain    Part  // the chunks that their recipes name, each once, but for those of Deltas
	Deltas   Part  // those of them that are stored by what they are like
	Whole    int64 // what those of Deltas would take, if they were stored whole: see census.whole
	Below    int64 // what chunks take that they need only as what others stand on
	Stored   int64 // what all these chunks take, and the index files
	Alone    int64 // of Stored, what no capture beside them needs
	Fresh    int64 // of Stored, what none that was counted before needs
}

// Part is some chunks: their lengths together, and what they take in slabs.
type Part struct{ Length, Stored int64 }

// census knows what each chunk takes, and counts who needs which.
type census struct {
	r     *Scales
	index *known.Index
	sizes []uint32 // by Ref: a chunk's part of the slabs' bytes
	total int64    // of them
	plain Part     // all frames that stand on nothing

	standing []standing               // in the order of their chunks
	absent   map[format.SlabID]absent // slabs that are missing
}

// standing are the chunks of a frame that stands on others, from one Ref up to another.
type standing struct {
	first, end known.Ref
	depth      uint32
	bases      []format.Base
	ratio      float64 // what whole found; 0: nothing yet
}

// absent is a slab that is missing.
type absent struct {
	*format.SlabRecord
	first []uint32 // numbers of the frames' first chunks
}

func newAbsent(rec *format.SlabRecord) absent {
	a := absent{rec, make([]uint32, len(rec.Frames))}
	n := uint32(0)
	for i := range rec.Frames {
		a.first[i] = n
		n += uint32(len(rec.Frames[i].Chunks))
	}
	return a
}

func (r *Scales) newCensus(ctx context.Context) (*census, error) {
	c := &census{r: r, absent: make(map[format.SlabID]absent)}
	var err error
	c.index, err = r.stock.Measure(ctx, c.measure, func(slab *format.SlabRecord) { c.absent[slab.Slab] = newAbsent(slab) })
	return c, err
}

// measure finds what the chunks of a slab take: of a frame, each its part by its length. No slab is
// opened for that, which over a share takes some calls for each. The parts of a frame add up to it.
func (c *census) measure(slab *format.SlabRecord) {
	for i := range slab.Frames {
		f := slab.Frames[i].Frame()
		if f.Padding {
			break
		}
		raw := int64(f.Raw())
		if len(f.Bases) > 0 {
			first := known.Ref(len(c.sizes))
			c.standing = append(c.standing, standing{first: first, end: first + known.Ref(len(f.Chunks)), depth: f.Depth, bases: f.Bases})
		} else {
			c.plain.Length += raw
			c.plain.Stored += int64(f.Sealed)
		}
		begin := int64(0)
		for _, length := range f.Chunks {
			end := begin + int64(length)
			part := int64(f.Sealed)*end/raw - int64(f.Sealed)*begin/raw
			begin = end
			c.sizes = append(c.sizes, uint32(part))
			c.total += part
		}
	}
}

// group is captures that are counted together.
type group []*ledger.Capture

// tally is one count of captures, group by group. It takes 4 bytes and 3 bits a chunk.
type tally struct {
	c             *census
	stood         map[place]uint32 // the capture that had the bases of a frame last: they may be many
	last          []uint32         // by Ref: the capture that had the chunk last, by its number from 1 on; 0: none had
	several       bitset           // several captures have it
	severalGroups bitset           // and several groups
	named         bitset           // a recipe of the group that is counted names it
	groupOf       []int            // by a capture's number - 1
	captures      []Cost           // likewise
	groups        []Cost
	inPart        map[string]error // of captures some chunks of which can't be found: why, by their ids
}

// count weighs captures, each by itself and each group together, in the order of groups. What can't be found of one is left out.
func (c *census) count(ctx context.Context, groups []group) (*tally, error) {
	n := len(c.sizes)
	t := &tally{c: c, stood: make(map[place]uint32), last: make([]uint32, n), several: make(bitset, n/64+1), severalGroups: make(bitset, n/64+1), named: make(bitset, n/64+1), groups: make([]Cost, len(groups)), inPart: make(map[string]error)}
	for g, captures := range groups {
		clear(t.named)
		for _, capture := range captures {
			if err := t.add(ctx, capture, g); err != nil {
				return nil, fmt.Errorf("capture %s: %w", capture.ID, err)
			}
		}
	}
	return t, nil
}

func (t *tally) add(ctx context.Context, capture *ledger.Capture, g int) error {
	size := capture.Info.Size
	own := Cost{Captures: 1, Stored: size, Alone: size, Fresh: size}
	for i := range capture.Volumes {
		own.Captured += int64(capture.Volumes[i].Length)
	}
	all := &t.groups[g]
	all.Captures++
	all.Captured += own.Captured
	all.Stored += size
	all.Alone += size
	all.Fresh += size
	t.captures, t.groupOf = append(t.captures, own), append(t.groupOf, g)
	for _, recipe := range weave.Recipes(capture) {
		for level := range recipe.Level + 1 {
			// The streams of runs are needed, too.
			outer := format.Recipe{Level: level, Runs: recipe.Runs}
			for ref, err := range t.c.refs(t.c.r.slabs.Runs(ctx, &outer)) {
				if vault.IsDamage(err) {
					if t.inPart[capture.ID] == nil {
						t.inPart[capture.ID] = err
					}
					continue
				}
				if err != nil {
					return err
				}
				t.name(ctx, ref)
				if err := t.need(ctx, ref, format.MaxDepth+1); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// name notes that a recipe of the capture that was added last names a chunk.
func (t *tally) name(ctx context.Context, ref known.Ref) {
	if t.named.has(ref) {
		return
	}
	t.named.set(ref)
	g := &t.groups[t.groupOf[len(t.groupOf)-1]]
	length := t.c.index.Length(ref)
	part := &g.Plain
	if i := t.c.standingAt(ref); i >= 0 {
		part = &g.Deltas
		g.Whole += int64(math.Round(float64(length) * t.c.whole(ctx, i, format.MaxDepth)))
	}
	part.Length += int64(length)
	part.Stored += int64(t.c.sizes[ref])
	g.Below -= int64(t.c.sizes[ref])
}

// place is a frame of a slab that is missing, or with a zero slab one of standing.
type place struct {
	slab  format.SlabID
	frame int
}

// stands tells whether the capture that was added last had the bases of a frame, and notes that it has them.
func (t *tally) stands(p place) bool {
	n := uint32(len(t.captures))
	had := t.stood[p] == n
	t.stood[p] = n
	return had
}

// standingAt finds the chunks beside one, where it stands on others, by their number; or -1.
func (c *census) standingAt(ref known.Ref) int {
	all := c.standing
	i := sort.Search(len(all), func(i int) bool { return all[i].end > ref })
	if i == len(all) || ref < all[i].first {
		return -1
	}
	return i
}

// whole estimates what a byte of a frame that stands on others would take, if it were stored whole: as much as one of what it
// stands on does, which is much like it. Of what can't be found, and for bases in a circle, the mean of all frames that stand
// on nothing counts.
func (c *census) whole(ctx context.Context, i int, depth uint32) float64 {
	s := &c.standing[i]
	if s.ratio > 0 || depth == 0 {
		return cmp.Or(s.ratio, c.plain.ratio())
	}
	s.ratio = c.plain.ratio()
	var length, stored float64
	for _, b := range s.bases {
		if ctx.Err() != nil {
			break // needAll says so
		}
		for n := range b.Count {
			ref, ok := c.index.Find(b.Slab, b.First+n)
			if !ok {
				break
			}
			of, takes := float64(c.index.Length(ref)), float64(c.sizes[ref])
			if j := c.standingAt(ref); j >= 0 {
				takes = of * c.whole(ctx, j, depth-1)
			}
			length, stored = length+of, stored+takes
		}
	}
	if length > 0 && stored > 0 {
		s.ratio = stored / length
	}
	return s.ratio
}

// ratio is what a byte of it takes.
func (p Part) ratio() float64 {
	if p.Length == 0 || p.Stored == 0 {
		return 1
	}
	return float64(p.Stored) / float64(p.Length)
}

// needAll notes that the capture needs the bases of a frame of a depth. A base that is missing counts for nothing itself, but
// what it stands on stays for it. Nobody held the bases against the limits of readers, so they may be long, and stand on each
// other in a circle: none is followed that is not less deep than what stands on it.
func (t *tally) needAll(ctx context.Context, bases []format.Base, depth uint32) error {
	for _, b := range bases {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		for n := range b.Count {
			if base, ok := t.c.index.Find(b.Slab, b.First+n); ok {
				if err := t.need(ctx, base, depth); err != nil {
					return err
				}
			}
		}
		if slab, ok := t.c.absent[b.Slab]; ok {
			if err := t.needBelow(ctx, slab, b, depth); err != nil {
				return err
			}
		}
	}
	return nil
}

// needBelow notes that the capture needs what a missing base stands on.
func (t *tally) needBelow(ctx context.Context, slab absent, b format.Base, depth uint32) error {
	i, found := slices.BinarySearch(slab.first, b.First)
	if !found {
		i = max(0, i-1) // the first frame begins with chunk 0
	}
	for ; i < len(slab.Frames) && uint64(slab.first[i]) < uint64(b.First)+uint64(b.Count); i++ {
		f := &slab.Frames[i]
		if f.Depth >= depth || t.stands(place{slab.Slab, i}) {
			continue
		}
		if err := t.needAll(ctx, f.Bases, f.Depth); err != nil {
			return err
		}
	}
	return nil
}

// need notes that the capture that was added last needs a chunk, and what that stands on where it is less deep than above.
func (t *tally) need(ctx context.Context, ref known.Ref, above uint32) error {
	n, last := uint32(len(t.captures)), t.last[ref]
	if last == n {
		return nil
	}
	t.last[ref] = n
	if i := t.c.standingAt(ref); i >= 0 && t.c.standing[i].depth < above && !t.stands(place{frame: i}) {
		if err := t.needAll(ctx, t.c.standing[i].bases, t.c.standing[i].depth); err != nil {
			return err
		}
	}
	t.countFor(ref, n, last)
	return nil
}

// countFor adds a chunk to capture n, which the capture last had before.
func (t *tally) countFor(ref known.Ref, n, last uint32) {
	size := int64(t.c.sizes[ref])
	t.captures[n-1].take(size, last == 0)
	if last > 0 && !t.several.has(ref) {
		t.several.set(ref)
		t.captures[last-1].Alone -= size
	}
	g := t.groupOf[n-1]
	if last > 0 && t.groupOf[last-1] == g {
		return
	}
	t.groups[g].take(size, last == 0)
	t.groups[g].Below += size
	if last > 0 && !t.severalGroups.has(ref) {
		t.severalGroups.set(ref)
		t.groups[t.groupOf[last-1]].Alone -= size
	}
}

// take adds a chunk that nobody had before, if first, or that others have as well.
func (c *Cost) take(size int64, first bool) {
	c.Stored += size
	if first {
		c.Alone += size
		c.Fresh += size
	}
}

// refs finds the chunks of runs in the index, each chunk of a run once, but for those of a run behind one that is not there.
func (c *census) refs(runs fetch.Runs) iter.Seq2[known.Ref, error] {
	return func(yield func(known.Ref, error) bool) {
		for run, err := range runs {
			if err != nil {
				yield(0, err)
				return
			}
			for n := range run.Count {
				ref, err := weave.FindChunk(c.index, run.Slab, run.First+n)
				if !yield(ref, err) {
					return
				}
				if err != nil {
					break
				}
			}
		}
	}
}

type bitset []uint64

func (b bitset) set(ref known.Ref)      { b[ref/64] |= 1 << (ref % 64) }
func (b bitset) has(ref known.Ref) bool { return b[ref/64]&(1<<(ref%64)) != 0 }
