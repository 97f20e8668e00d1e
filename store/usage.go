package store

import (
	"context"
	"fmt"
	"iter"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Usage says what a repository costs.
type Usage struct {
	Captures []CaptureUsage `json:"captures"`       // oldest first
	Captured int64          `json:"captured_bytes"` // length of all captures' streams
	Stored   int64          `json:"stored_bytes"`   // of all objects of the repository
	Slabs    int            `json:"slabs"`
	// Reclaimable is how many bytes are kept by retired captures, and by what
	// captures that were never finished left, but by none of Captures: about what
	// Reclaim could free once grace times have passed, if it moved the rest of every
	// slab. Counted as CaptureUsage.Alone is. What captures that are being made have
	// put so far is in it, too.
	Reclaimable int64 `json:"reclaimable_bytes"`
}

// CaptureUsage says what one capture costs.
type CaptureUsage struct {
	*Capture
	// Alone is how many bytes only this capture keeps: about what the repository
	// could free without it. Of a frame, each chunk counts by its length.
	Alone int64 `json:"alone_bytes"`
}

// Usage finds out what every capture keeps. It reads all tables and member
// lists' recipes, no contents, and takes 4 bytes of memory a chunk beside the
// index. It fails with ErrDamaged where a capture's chunks can't be found.
func (r *Repository) Usage(ctx context.Context) (u *Usage, err error) {
	defer noteEnd(ctx, &err)
	if err := r.open(); err != nil {
		return nil, err
	}
	captures, err := r.Captures(ctx)
	if err != nil {
		return nil, err
	}
	objects, err := r.storage.List(ctx, "")
	if err != nil {
		return nil, err
	}
	u = &Usage{}
	sizes := make(map[string]int64)
	for _, o := range objects {
		u.Stored += o.Size
		sizes[o.Name] = o.Size
		if _, err := names.ParseSlab(o.Name); err == nil {
			u.Slabs++
		}
		if _, _, err := names.ParseCapture(o.Name); err == nil {
			u.Reclaimable += o.Size
		}
	}
	c, err := r.newCensus(ctx)
	if err != nil {
		return nil, err
	}
	for i, capture := range captures {
		if err := c.claim(ctx, capture.captured, uint32(i+1)); err != nil {
			return nil, fmt.Errorf("capture %s: %w", capture.ID, err)
		}
		u.Captured += int64(capture.Bytes)
		size := sizes[capture.captured.Info.Name]
		u.Captures = append(u.Captures, CaptureUsage{capture, size})
		u.Reclaimable -= size
	}
	return u, c.tally(ctx, func(owner uint32, bytes int64) {
		switch owner {
		case shared:
		case 0:
			u.Reclaimable += bytes
		default:
			u.Captures[owner-1].Alone += bytes
		}
	})
}

// census tells for each chunk which capture keeps it.
type census struct {
	r      *Repository
	index  *known.Index
	owners []uint32 // by Ref: 0, a capture's number, or shared
}

const shared = ^uint32(0)

func (r *Repository) newCensus(ctx context.Context) (*census, error) {
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
