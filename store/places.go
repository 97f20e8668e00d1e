package store

import (
	"context"
	"iter"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
)

// placeSource gives the place of the next chunk, and how often it comes: at most so often
// as it is asked for. ok is false behind the last one.
type placeSource func(most uint64) (at place, times uint64, err error, ok bool)

// pullRepeats gives the chunks of runs in order, until stop is called.
func pullRepeats(ctx context.Context, runs fetch.Runs) (next placeSource, stop func()) {
	pull, stop := iter.Pull2(iter.Seq2[format.Run, error](runs))
	var run format.Run
	var given uint64 // of the run
	return func(most uint64) (place, uint64, error, bool) {
		for given == run.Len() {
			more, err, ok := pull()
			if err != nil || !ok {
				return place{}, 0, err, ok
			}
			run, given = more, 0
		}
		if ctx.Err() != nil {
			return place{}, 0, context.Cause(ctx), true
		}
		if run.Times > 1 {
			n := min(most, run.Len()-given)
			given += n
			return place{run.Slab, run.First}, n, nil, true
		}
		given++
		return place{run.Slab, run.First + uint32(given-1)}, 1, nil, true
	}, stop
}

// pullPlaces gives the chunks of runs one by one, as many as they stand for, until
// stop is called.
func pullPlaces(ctx context.Context, runs fetch.Runs) (next func() (place, error, bool), stop func()) {
	pull, stop := pullRepeats(ctx, runs)
	return func() (place, error, bool) {
		at, _, err, ok := pull(1)
		return at, err, ok
	}, stop
}
