package take

import (
	"context"
	"fmt"
	"sort"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/weave"
)

// priorStream is a stream of the capture before: where its chunks lie and how
// long they are. Bytes are read only where they are asked for.
type priorStream struct {
	ctx    context.Context
	slabs  *fetch.Slabs
	chunks []priorChunk
	length uint64
	loaded int    // the chunk that data is, or -1
	data   []byte // not to be changed
}

// maxPriorChunks bounds the chunks of a list that is taken over from, and so the
// memory for it: 40 bytes for each. It stands for lists of 4 GiB.
const maxPriorChunks = 1 << 18

// priorChunk is a chunk of a priorStream.
type priorChunk struct {
	weave.Place
	ref    known.Ref
	length int
	start  uint64 // in the stream
}

// newPriorStream finds the chunks of a recipe. It fails if one of them is not
// there.
func newPriorStream(ctx context.Context, slabs *fetch.Slabs, index *known.Index, recipe *format.Recipe) (*priorStream, error) {
	if recipe.Chunks > maxPriorChunks {
		return nil, errPrior
	}
	p := &priorStream{ctx: ctx, slabs: slabs, loaded: -1}
	l := weave.Locator{Index: index}
	for run, err := range slabs.Runs(ctx, recipe) {
		if err != nil {
			return nil, err
		}
		for i := range uint32(run.Len()) {
			at := weave.Place{Slab: run.Slab, Chunk: run.First}
			if run.Count > 1 {
				at.Chunk += i
			}
			ref, n, ok := l.Find(at)
			if !ok || p.length+uint64(n) > recipe.Bytes || uint64(len(p.chunks)) == recipe.Chunks {
				return nil, errPrior
			}
			p.chunks = append(p.chunks, priorChunk{at, ref, n, p.length})
			p.length += uint64(n)
		}
	}
	if p.length != recipe.Bytes || uint64(len(p.chunks)) != recipe.Chunks {
		return nil, errPrior
	}
	return p, nil
}

// starts gives the chunk that begins at off.
func (p *priorStream) starts(off uint64) (int, bool) {
	if p == nil {
		return 0, false
	}
	n := p.after(off) - 1
	return n, n >= 0 && p.chunks[n].start == off
}

// after gives the number of chunks that begin at or before off.
func (p *priorStream) after(off uint64) int {
	return sort.Search(len(p.chunks), func(i int) bool { return p.chunks[i].start > off })
}

// read appends to dst the n bytes at off.
func (p *priorStream) read(dst []byte, off, n uint64) ([]byte, error) {
	if off > p.length || n > p.length-off {
		return dst, errPrior
	}
	for n > 0 {
		if err := p.load(p.after(off) - 1); err != nil {
			return dst, err
		}
		b := p.data[off-p.chunks[p.loaded].start:]
		b = b[:min(n, uint64(len(b)))]
		dst = append(dst, b...)
		off += uint64(len(b))
		n -= uint64(len(b))
	}
	return dst, nil
}

// load reads a chunk.
func (p *priorStream) load(n int) error {
	if n == p.loaded {
		return nil
	}
	c := &p.chunks[n]
	slab, err := p.slabs.Open(p.ctx, c.Slab)
	if err != nil {
		return fmt.Errorf("%w: %w", errPrior, err)
	}
	f := sort.Search(len(slab.Frames), func(i int) bool { return slab.FirstChunk(i) > c.Chunk }) - 1
	raw, err := p.slabs.Frame(p.ctx, slab, f)
	if err != nil {
		return fmt.Errorf("%w: %w", errPrior, err)
	}
	for _, l := range slab.Frames[f].Chunks[:c.Chunk-slab.FirstChunk(f)] {
		raw = raw[l:]
	}
	p.data, p.loaded = raw[:c.length:c.length], n
	return nil
}
