package weave

import (
	"context"
	"iter"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

// PlaceSource gives the place of the next chunk, and how often it comes: at most so often
// as it is asked for. ok is false behind the last one.
type PlaceSource func(most uint64) (at Place, times uint64, err error, ok bool)

// PullRepeats gives the chunks of runs in order, until stop is called.
func PullRepeats(ctx context.Context, runs fetch.Runs) (next PlaceSource, stop func()) {
	pull, stop := iter.Pull2(iter.Seq2[format.Run, error](runs))
	var run format.Run
	var given uint64 // of the run
	return func(most uint64) (Place, uint64, error, bool) {
		for given == run.Len() {
			more, err, ok := pull()
			if err != nil || !ok {
				return Place{}, 0, err, ok
			}
			run, given = more, 0
		}
		if ctx.Err() != nil {
			return Place{}, 0, context.Cause(ctx), true
		}
		if run.Times > 1 {
			n := min(most, run.Len()-given)
			given += n
			return Place{run.Slab, run.First}, n, nil, true
		}
		given++
		return Place{run.Slab, run.First + uint32(given-1)}, 1, nil, true
	}, stop
}

// PullPlaces gives the chunks of runs one by one, as many as they stand for, until
// stop is called.
func PullPlaces(ctx context.Context, runs fetch.Runs) (next func() (Place, error, bool), stop func()) {
	pull, stop := PullRepeats(ctx, runs)
	return func() (Place, error, bool) {
		at, _, err, ok := pull(1)
		return at, err, ok
	}, stop
}

// Place is where a chunk lies.
type Place struct {
	Slab  format.SlabID
	Chunk uint32
}

// Locator finds chunks in the index, with their lengths. A chunk's slab must be
// listed and there.
type Locator struct{ Index *known.Index }

// Find gives the chunk at a place as the index has it, and its length.
func (l *Locator) Find(at Place) (known.Ref, int, bool) {
	ref, ok := l.Index.Find(at.Slab, at.Chunk)
	if !ok {
		return 0, 0, false
	}
	n := l.Index.Length(ref)
	return ref, n, n > 0
}
