package weigh

import (
	"cmp"
	"context"
	"fmt"
	"iter"
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

// Compare calls yield for each difference between two captures, until it gives false.
func (r *Scales) Compare(ctx context.Context, was, is *ledger.Capture, yield func(Difference) bool) error {
	index, _, err := r.stock.LoadIndex(ctx, nil, nil)
	if err != nil {
		return err
	}
	c := &comparison{r: r, index: index, old: make(map[memberKey]*compared), oldChunks: newChunkSet(index), newChunks: newChunkSet(index)}
	return c.run(ctx, was, is, yield)
}

type memberKey struct{ volume, path string }

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
	old                  map[memberKey]*compared
	renamed              string // what an only volume was called before
	oldChunks, newChunks *chunkSet
}

func (c *comparison) run(ctx context.Context, was, is *ledger.Capture, yield func(Difference) bool) error {
	// Volumes are paired by their names, or as the only ones.
	only := len(was.Volumes) == 1 && len(is.Volumes) == 1
	for m, err := range c.members(ctx, was, c.oldChunks) {
		if err != nil {
			return err
		}
		if only {
			c.renamed, m.key.volume = m.key.volume, is.Volumes[0].Name
		}
		m.order = len(c.old)
		c.old[m.key] = &m.compared
	}
	// The second capture is gone through twice: what is gone is counted against
	// all of its chunks.
	last := make(map[memberKey]int)
	n := 0
	for m, err := range c.members(ctx, is, c.newChunks) {
		if err != nil {
			return err
		}
		last[m.key] = n
		n++
	}
	n = 0
	for m, err := range c.members(ctx, is, nil) {
		if err != nil {
			return err
		}
		if n++; last[m.key] != n-1 {
			continue
		}
		d, differs, err := c.difference(ctx, &m)
		if err != nil {
			return err
		}
		if differs && !yield(d) {
			return nil
		}
	}
	return c.gone(ctx, yield)
}

// difference compares a member of the second capture with the first one's.
func (c *comparison) difference(ctx context.Context, m *keyedMember) (Difference, bool, error) {
	d := Difference{Volume: m.key.volume, Path: m.member.Path, Is: m.member, Contents: true}
	if old := c.old[m.key]; old != nil {
		old.found = true
		d.Was = old.member
		d.Contents = !slices.Equal(old.chunks, m.chunks)
		if !d.Contents && sameMember(old.member, m.member) {
			return d, false, nil
		}
	}
	var err error
	if d.Contents {
		d.Bytes, err = c.bytes(ctx, m.chunks, c.oldChunks)
	}
	return d, true, err
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
func (c *comparison) gone(ctx context.Context, yield func(Difference) bool) error {
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
		bytes, err := c.bytes(ctx, l.m.chunks, c.newChunks)
		if err != nil {
			return err
		}
		if !yield(Difference{Volume: cmp.Or(c.renamed, l.key.volume), Path: l.m.member.Path, Was: l.m.member, Contents: true, Bytes: bytes}) {
			return nil
		}
	}
	return nil
}

// bytes adds up the lengths of the chunks that others lack, each once.
func (c *comparison) bytes(ctx context.Context, chunks []repeated, others *chunkSet) (n int64, err error) {
	counted := make(map[known.Ref]bool)
	for _, chunk := range chunks {
		ref := chunk.ref
		if others.has(ref) || counted[ref] {
			continue
		}
		counted[ref] = true
		slabID, number := c.index.Locate(ref)
		slab, err := c.r.slabs.Open(ctx, slabID)
		if err != nil {
			return n, err
		}
		length, _ := slab.ChunkLength(number)
		n += int64(length)
	}
	return n, nil
}

type keyedMember struct {
	compared
	key memberKey
}

// members gives the members of a capture with their chunks, which are added to
// seen, if that is set.
func (c *comparison) members(ctx context.Context, capture *ledger.Capture, seen *chunkSet) iter.Seq2[keyedMember, error] {
	return func(yield func(keyedMember, error) bool) {
		for i := range capture.Volumes {
			if !c.volume(ctx, capture.Volume(i), seen, yield) {
				return
			}
		}
	}
}

func (c *comparison) volume(ctx context.Context, v *ledger.Volume, seen *chunkSet, yield func(keyedMember, error) bool) bool {
	next, stop := weave.PullRepeats(ctx, c.r.slabs.Runs(ctx, weave.OrEmpty(v.Contents)))
	defer stop()
	for l, err := range c.r.reader.Listing(ctx, v) {
		m := keyedMember{}
		if err == nil {
			m.chunks, err = c.take(l.Chunks, next, seen)
		}
		if err != nil {
			yield(m, err)
			return false
		}
		if l.Member == nil {
			continue
		}
		m.member, m.key = l.Member, memberKey{v.Name, weave.CleanPath(l.Member.Path)}
		if !yield(m, nil) {
			return false
		}
	}
	return true
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
		if seen != nil {
			seen.add(ref)
		}
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
