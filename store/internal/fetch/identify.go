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
			one := identifier{s: s, slab: slab, hasher: s.keys.NewHasher()}
			for t := range work {
				for i := t.from; i < t.to; i++ {
					ids, err := one.identify(ctx, frames[i], t.with)
					outcomes[i] <- outcome{ids, err}
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

// identifier identifies the chunks of one frame after the other.
type identifier struct {
	s      *Slabs
	slab   *Slab
	hasher *crypt.Hasher
	buf    []byte
}

// identify has room for a frame until its chunks are hashed.
func (o *identifier) identify(ctx context.Context, frame int, with *span) ([]crypt.Identity, error) {
	why := purpose{with: with}
	done, err := o.s.take(ctx, o.slab, frame, why)
	if err != nil {
		return nil, err
	}
	defer done()
	raw, err := o.s.readFrame(ctx, o.slab, frame, o.buf, why)
	if err != nil {
		return nil, err
	}
	if cap(raw) <= usualRaw { // a longer one would stay without room
		o.buf = raw
	}
	return identities(o.hasher, raw, o.slab.Frames[frame].Chunks), nil
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
