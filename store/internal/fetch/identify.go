package fetch

import (
	"context"
	"iter"
	"sync"

	"github.com/kistarchive/kist/crypt"
)

// Identify reads all frames of a slab, past the cache, and calls use for each
// in order: with the identities of its chunks, or with the error that reading
// it gave. It stops when use fails, and gives that error.
func (s *Slabs) Identify(ctx context.Context, slab *Slab, use func(frame int, ids []crypt.Identity, err error) error) error {
	all := make([]int, len(slab.Frames))
	for i := range all {
		all[i] = i
	}
	return s.IdentifyFrames(ctx, slab, all, use)
}

// IdentifyFrames is Identify for some of the frames.
func (s *Slabs) IdentifyFrames(ctx context.Context, slab *Slab, frames []int, use func(frame int, ids []crypt.Identity, err error) error) error {
	ctx, cancel := context.WithCancel(ctx)
	var reading sync.WaitGroup
	defer reading.Wait()
	defer cancel()
	type outcome struct {
		ids []crypt.Identity
		err error
	}
	outcomes := make([]chan outcome, len(frames))
	for i := range outcomes {
		outcomes[i] = make(chan outcome, 1)
	}
	work := make(chan turn, len(frames))
	for t := range s.turns(slab, frames) {
		work <- t
	}
	close(work)
	for range max(s.workers, s.reads) {
		reading.Go(func() {
			h := s.keys.NewHasher()
			var buf []byte
			for t := range work {
				for i := t.from; i < t.to; i++ {
					raw, err := s.readFrame(ctx, slab, frames[i], buf, purpose{with: t.with})
					if err != nil {
						outcomes[i] <- outcome{nil, err}
						continue
					}
					outcomes[i] <- outcome{identities(h, raw, slab.Frames[frames[i]].Chunks), nil}
					buf = raw
				}
				s.spanDone(t.with)
			}
		})
	}
	for i, c := range outcomes {
		o := <-c
		if err := use(frames[i], o.ids, o.err); err != nil {
			return err
		}
	}
	return nil
}

// turn is frames, by where they stand among those that are asked for, which are read with one call.
type turn struct {
	from, to int
	with     *span
}

func (s *Slabs) turns(slab *Slab, frames []int) iter.Seq[turn] {
	return func(yield func(turn) bool) {
		for from := 0; from < len(frames); {
			t := turn{from, from + 1, newSpan(slab, frames[from])}
			for t.to < len(frames) && s.extend(t.with, slab, frames[t.to]) {
				t.to++
			}
			if !yield(t) {
				return
			}
			from = t.to
		}
	}
}

// identities hashes the chunks of the given lengths that follow each other in
// data.
func identities(h *crypt.Hasher, data []byte, lengths []uint32) []crypt.Identity {
	ids := make([]crypt.Identity, 0, len(lengths))
	for _, n := range lengths {
		ids = append(ids, h.Sum(data[:n]))
		data = data[n:]
	}
	return ids
}
