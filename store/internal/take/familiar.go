package take

import (
	"context"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
)

// familiarCaptures is among how many captures, the newest first, the one before is looked for.
const familiarCaptures = 64

// loadBefore has an index that keeps samples load the slabs of the capture before, so that what is likely to come is
// found without a sample of it. What can't be read is only looked for by samples.
func (s *session) loadBefore(ctx context.Context) {
	if !s.index.Sampled() {
		return
	}
	slabs := make(map[format.SlabID]bool)
	if s.before != nil {
		for _, id := range s.before.Slabs {
			slabs[id] = true
		}
	} else if c := s.familiar(ctx); c != nil {
		for _, recipe := range weave.Recipes(c) {
			for run, err := range s.r.slabs.Runs(ctx, recipe) {
				if err != nil {
					break
				}
				slabs[run.Slab] = true
			}
		}
	}
	s.index.Load(slabs)
}

// familiar gives the newest capture of the name and host, or else of one of them, or nil.
func (s *session) familiar(ctx context.Context) *ledger.Capture {
	var best *ledger.Capture
	fits, looked := 0, 0
	s.r.latestLike(ctx, s.files, func(c *ledger.Capture) bool {
		n := 0
		if c.Name == s.o.Name {
			n++
		}
		if c.Host == s.o.Host {
			n += 2
		}
		if n > fits {
			best, fits = c, n
		}
		looked++
		return fits == 3 || looked == familiarCaptures
	})
	return best
}
