package weigh

import (
	"context"
	"iter"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
)

// census tells for each chunk which capture keeps it.
type census struct {
	r      *Scales
	index  *known.Index
	owners []uint32 // by Ref: 0, a capture's number, or shared
}

const shared = ^uint32(0)

func (r *Scales) newCensus(ctx context.Context) (*census, error) {
	index, _, err := r.stock.LoadIndex(ctx, nil, nil)
	if err != nil {
		return nil, err
	}
	return &census{r: r, index: index, owners: make([]uint32, index.Len())}, nil
}

// claim notes that a capture keeps its chunks.
func (c *census) claim(ctx context.Context, capture *ledger.Capture, number uint32) error {
	for _, recipe := range weave.Recipes(capture) {
		for level := range recipe.Level + 1 {
			// The streams of runs are kept, too.
			outer := format.Recipe{Level: level, Runs: recipe.Runs}
			for at, err := range c.refs(c.r.slabs.Runs(ctx, &outer)) {
				if err != nil {
					return err
				}
				if o := c.owners[at]; o == 0 {
					c.owners[at] = number
				} else if o != number {
					c.owners[at] = shared
				}
			}
		}
	}
	return nil
}

// refs finds the chunks of runs in the index, each chunk of a run once.
func (c *census) refs(runs fetch.Runs) iter.Seq2[known.Ref, error] {
	return func(yield func(known.Ref, error) bool) {
		for run, err := range runs {
			if err != nil {
				yield(0, err)
				return
			}
			for n := range run.Count {
				ref, err := weave.FindChunk(c.index, run.Slab, run.First+n)
				if !yield(ref, err) || err != nil {
					return
				}
			}
		}
	}
}

// tally gives for each chunk that there is its owner and its part of the slabs' bytes.
func (c *census) tally(ctx context.Context, add func(owner uint32, bytes int64)) error {
	for id, first := range c.index.Slabs() {
		slab, err := c.r.slabs.Open(ctx, id)
		if err != nil {
			return err
		}
		if n := unpadded(slab); n > 0 {
			if _, err := weave.FindChunk(c.index, id, n-1); err != nil {
				return err // a table says less of the slab than the slab itself
			}
		}
		ref := first
		for i := range slab.Frames {
			f := &slab.Frames[i]
			if f.Padding {
				break
			}
			raw := int64(f.Raw())
			for _, length := range f.Chunks {
				add(c.owners[ref], int64(f.Sealed)*int64(length)/raw)
				ref++
			}
		}
	}
	return nil
}

// unpadded gives the number of a slab's chunks without its padding.
func unpadded(slab *fetch.Slab) uint32 {
	for i := range slab.Frames {
		if slab.Frames[i].Padding {
			return slab.FirstChunk(i)
		}
	}
	return slab.Chunks()
}
