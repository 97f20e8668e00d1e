package weigh

import (
	"context"
	"fmt"
	"reflect"
	"slices"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Difference is a member that two captures do not have alike.
type Difference struct {
	Volume   string
	Path     string
	Was      *tarstream.Member // in the first capture; nil: added
	Is       *tarstream.Member // in the second one; nil: gone
	Contents bool              // the contents differ, not only what the header says
	Bytes    int64             // of the contents that the other capture has nowhere
}

// Compare calls yield for each difference between two captures, until it gives false. paired has for each volume of the
// second one the number of that of the first which is the same, or -1.
func (r *Scales) Compare(ctx context.Context, was, is *ledger.Capture, paired []int, yield func(Difference) bool) error {
	index, _, err := r.stock.LoadIndex(ctx, nil, nil)
	if err != nil {
		return err
	}
	c := &comparison{
		r: r, index: index, old: make(map[memberKey]*compared),
		oldChunks: newChunkSet(index), newChunks: newChunkSet(index),
	}
	return c.run(ctx, was, is, paired, yield)
}

// memberKey is a member of the first capture: the number of its volume, and its clean path.
type memberKey struct {
	volume int
	path   string
}

// compared is a member with its contents' chunks, equal ones under one Ref.
type compared struct {
	member *tarstream.Member
	chunks []repeated
	order  int
	found  bool // in the second capture
}

type comparison struct {
	r                    *Scales
	index                *known.Index
	rolls                []*roll // of the first capture's volumes
	old                  map[memberKey]*compared
	oldChunks, newChunks *chunkSet
}

func (c *comparison) run(ctx context.Context, was, is *ledger.Capture, paired []int, yield func(Difference) bool) error {
	for i := range was.Volumes {
		if err := c.addOld(ctx, was.Volume(i)); err != nil {
			return err
		}
	}
	for i := range is.Volumes {
		if goesOn, err := c.compare(ctx, is.Volume(i), paired[i], yield); err != nil || !goesOn {
			return err
		}
	}
	c.gone(was, yield)
	return nil
}

// addOld takes in the next volume of the first capture.
func (c *comparison) addOld(ctx context.Context, v *ledger.Volume) error {
	reading := rolling{r: c.r, index: c.index}
	roll, err := reading.read(ctx, v, nil)
	if err != nil {
		return err
	}
	number := len(c.rolls)
	c.rolls = append(c.rolls, roll)
	next, stop := weave.PullRepeats(ctx, c.r.slabs.Runs(ctx, weave.OrEmpty(v.Contents)))
	defer stop()
	for _, e := range roll.entries {
		chunks, err := c.take(e.chunks, next, c.oldChunks)
		if err != nil {
			return err
		}
		if e.member != nil {
			c.old[memberKey{number, e.path}] = &compared{member: e.member, chunks: chunks, order: len(c.old)}
		}
	}
	return nil
}

// compare compares a volume of the second capture with that of the first which has the number before, or with nothing
// where it is -1, and tells whether more is wanted.
func (c *comparison) compare(ctx context.Context, v *ledger.Volume, before int, yield func(Difference) bool) (bool, error) {
	var like *roll
	if before >= 0 {
		like = c.rolls[before]
	}
	reading := rolling{r: c.r, index: c.index}
	roll, err := reading.read(ctx, v, like)
	if err != nil {
		return false, err
	}
	last := make(map[string]int, len(roll.entries))
	for n, e := range roll.entries {
		if e.member != nil {
			last[e.path] = n
		}
	}
	next, stop := weave.PullRepeats(ctx, c.r.slabs.Runs(ctx, weave.OrEmpty(v.Contents)))
	defer stop()
	for n, e := range roll.entries {
		chunks, err := c.take(e.chunks, next, c.newChunks)
		if err != nil {
			return false, err
		}
		if e.member == nil || last[e.path] != n {
			continue
		}
		d, differs := c.difference(memberKey{before, e.path}, e.member, chunks)
		d.Volume = v.Name
		if differs && !yield(d) {
			return false, nil
		}
	}
	return true, nil
}

// difference compares a member of the second capture with the first one's.
func (c *comparison) difference(key memberKey, m *tarstream.Member, chunks []repeated) (Difference, bool) {
	d := Difference{Path: m.Path, Is: m, Contents: true}
	if old := c.old[key]; old != nil {
		old.found = true
		d.Was = old.member
		d.Contents = !slices.Equal(old.chunks, chunks)
		if !d.Contents && (old.member == m || sameMember(old.member, m)) {
			return d, false
		}
	}
	if d.Contents {
		d.Bytes = c.bytes(chunks, c.oldChunks)
	}
	return d, true
}

func sameMember(a, b *tarstream.Member) bool {
	return reflect.DeepEqual(plain(a), plain(b))
}

// plain gives a member with its path and its time written in one way.
func plain(m *tarstream.Member) tarstream.Member {
	c := *m
	c.Path, c.Modified = weave.CleanPath(c.Path), c.Modified.UTC()
	return c
}

// gone gives what only the first capture has.
func (c *comparison) gone(was *ledger.Capture, yield func(Difference) bool) {
	type lost struct {
		key memberKey
		m   *compared
	}
	var all []lost
	for key, m := range c.old {
		if !m.found {
			all = append(all, lost{key, m})
		}
	}
	slices.SortFunc(all, func(a, b lost) int { return a.m.order - b.m.order })
	for _, l := range all {
		bytes := c.bytes(l.m.chunks, c.newChunks)
		if !yield(Difference{Volume: was.Volumes[l.key.volume].Name, Path: l.m.member.Path, Was: l.m.member, Contents: true, Bytes: bytes}) {
			return
		}
	}
}

// bytes adds up the lengths of the chunks that others lack, each once.
func (c *comparison) bytes(chunks []repeated, others *chunkSet) (n int64) {
	counted := make(map[known.Ref]bool)
	for _, chunk := range chunks {
		if others.has(chunk.ref) || counted[chunk.ref] {
			continue
		}
		counted[chunk.ref] = true
		n += int64(c.index.Length(chunk.ref))
	}
	return n
}

// take gives the next n chunks of a volume's contents.
func (c *comparison) take(n uint64, next weave.PlaceSource, seen *chunkSet) ([]repeated, error) {
	var refs []repeated
	for n > 0 {
		at, times, err, ok := next(n)
		if err == nil && !ok {
			err = fmt.Errorf("%w: contents end too early", format.ErrDamaged)
		}
		if err != nil {
			return nil, err
		}
		ref, err := weave.FindChunk(c.index, at.Slab, at.Chunk)
		if err != nil {
			return nil, err
		}
		// Two writers may have stored the same chunk twice.
		if first, ok := c.index.Lookup(c.index.ID(ref)); ok {
			ref = first
		}
		seen.add(ref)
		refs = appendRepeated(refs, ref, times)
		n -= times
	}
	return refs, nil
}

// repeated is a chunk that comes so often, one after the other.
type repeated struct {
	ref   known.Ref
	times uint64
}

// appendRepeated appends a chunk so often. Equal sequences are equal, however they came.
func appendRepeated(refs []repeated, ref known.Ref, times uint64) []repeated {
	if k := len(refs) - 1; k >= 0 && refs[k].ref == ref {
		refs[k].times += times
		return refs
	}
	return append(refs, repeated{ref, times})
}

// chunkSet is a set of chunks, one bit each.
type chunkSet struct{ bits []uint64 }

func newChunkSet(index *known.Index) *chunkSet {
	return &chunkSet{make([]uint64, index.Len()/64+1)}
}

func (s *chunkSet) add(r known.Ref)      { s.bits[r/64] |= 1 << (r % 64) }
func (s *chunkSet) has(r known.Ref) bool { return s.bits[r/64]&(1<<(r%64)) != 0 }
