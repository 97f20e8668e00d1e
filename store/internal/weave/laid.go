package weave

import (
	"context"
	"fmt"
	"io"
	"sort"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

// maxLaid is the most chunks of a stream that are laid out: 50 MB of memory.
const maxLaid = 1 << 22

// Laid is a stream by its chunks, which its digest proves, so that any part of it can be
// read, and told to be the same as one of another stream, by itself.
type Laid struct {
	reader *Reader
	index  *known.Index
	refs   []known.Ref // equal chunks under one
	starts []uint64    // where each begins; one more for the end
}

// Lay lays out the stream of a recipe. It gives nil for one that can't be: the index lacks
// chunks, says something else of them than the digest, or there are too many.
func (r *Reader) Lay(ctx context.Context, index *known.Index, recipe *format.Recipe) (*Laid, error) {
	if recipe.Chunks > maxLaid {
		return nil, nil
	}
	l := &Laid{reader: r, index: index, starts: []uint64{0}}
	next, stop := PullPlaces(ctx, r.slabs.Runs(ctx, recipe))
	defer stop()
	digest, end := crypt.NewDigestHasher(), uint64(0)
	for len(l.refs) <= int(recipe.Chunks) {
		at, err, ok := next()
		if err != nil {
			return nil, err
		}
		if !ok {
			break
		}
		ref, found := index.Find(at.Slab, at.Chunk)
		if !found {
			return nil, nil
		}
		id, length := index.ID(ref), index.Length(ref)
		if first, ok := index.Lookup(id); ok { // two writers may have stored the same chunk twice
			ref = first
		}
		digest.Add(id, length)
		end += uint64(length)
		l.refs, l.starts = append(l.refs, ref), append(l.starts, end)
	}
	if uint64(len(l.refs)) != recipe.Chunks || end != recipe.Bytes || digest.Sum() != recipe.Digest {
		return nil, nil
	}
	return l, nil
}

// Len gives the length of the stream in bytes.
func (l *Laid) Len() uint64 { return l.starts[len(l.refs)] }

// runs gives some chunks as runs.
func (l *Laid) runs(from, to int) fetch.Runs {
	return func(yield func(format.Run, error) bool) {
		for from < to {
			ref, n := l.refs[from], uint32(1)
			for from+int(n) < to && l.refs[from+int(n)] == ref+known.Ref(n) {
				n++
			}
			slab, first, n := l.index.LocateMany(ref, n)
			if !yield(format.Run{Slab: slab, First: first, Count: n, Times: 1}, nil) {
				return
			}
			from += int(n)
		}
	}
}

// From reads the stream from a place on, each chunk proved before anything of it is given.
// It must be closed.
func (l *Laid) From(ctx context.Context, at uint64) io.ReadCloser {
	chunk := sort.Search(len(l.refs), func(i int) bool { return l.starts[i+1] > at })
	f := &laidReader{ctx: ctx, l: l, chunk: chunk, end: chunk, window: firstWindow}
	if chunk < len(l.refs) {
		f.skip = int(at - l.starts[chunk])
	}
	f.Reader = fetch.Bytes(f.next)
	return f
}

// firstWindow is how many chunks are read ahead at first: whoever reads only a few bytes
// should not have whole frames opened behind them.
const firstWindow = 2

type laidReader struct {
	io.Reader
	ctx    context.Context
	l      *Laid
	r      *fetch.Reader // of the window; nil before the first
	chunk  int           // that comes next
	skip   int           // bytes of it
	end    int           // of the window
	window int           // chunks that the next one has
}

// open opens the next window, twice as long as the one before.
func (f *laidReader) open() error {
	if err := f.Close(); err != nil {
		return err
	}
	f.end = min(f.chunk+f.window, len(f.l.refs))
	f.window *= 2
	f.r = f.l.reader.slabs.ReadWith(f.ctx, f.l.runs(f.chunk, f.end), fetch.ReadOptions{Lend: true})
	return nil
}

func (f *laidReader) next() (fetch.Chunk, error) {
	if f.chunk == len(f.l.refs) {
		return fetch.Chunk{}, io.EOF
	}
	if f.chunk == f.end {
		if err := f.open(); err != nil {
			return fetch.Chunk{}, err
		}
	}
	c, err := f.r.Next()
	if err != nil {
		return c, err
	}
	if ref := f.l.refs[f.chunk]; c.ID != f.l.index.ID(ref) {
		slab, n := f.l.index.Locate(ref)
		return c, &fetch.SlabError{Slab: slab, Frame: -1, Err: fmt.Errorf("%w: chunk %d is another", format.ErrDamaged, n)}
	}
	c.Data = c.Data[f.skip:]
	f.chunk, f.skip = f.chunk+1, 0
	return c, nil
}

func (f *laidReader) Close() error {
	if f.r == nil {
		return nil
	}
	return f.r.Close()
}
