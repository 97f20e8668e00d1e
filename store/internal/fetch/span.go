package fetch

import (
	"context"
	"sync"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// Where reads wait for something far away, frames that lie behind each other are read with one call, of up to so many bytes, as far
// as they hold no more than so many: two of full length, or eight where there are deltas. All that is read ahead is in memory. What a
// reader of chunks reads with its first call holds no more than spanFirst, or is one frame, and twice as much each time: most that is read is long, and
// of what is not, what is read in vain has its price.
const (
	spanFirst = format.DeltaTarget
	spanBytes = 2 * usualSealed
	spanRaw   = 2 * format.FrameTarget
)

// ReadAhead says that reads wait for something far away, and how many are worth having under way at the same time: each reader of
// chunks has as many then, of frames that lie behind each other, and opens as many slabs ahead. 0: it is near. It is called before anything is read.
func (s *Slabs) ReadAhead(reads int) { s.reads = reads }

// aheadOf gives how many reads a reader of chunks may have under way or done and not given out: at first, and one more with each
// that was given out, up to all; and how many may be under way.
func (s *Slabs) aheadOf() (first, all, underWay int) {
	near := 2 * s.workers
	if s.reads > 0 {
		return min(near, s.reads), s.reads, s.reads
	}
	return near, near, s.workers + waiting
}

// weight gives as how many batches those count that hold more than one does by rule: what is read ahead has a bound in bytes, too.
// Without a span it is an error.
func (s *Slabs) weight(with *span) int {
	one := format.FrameTarget
	if s.reads > 0 {
		one = spanRaw
	}
	if with == nil {
		return 1
	}
	return max(1, (with.raw+one-1)/one)
}

// span is frames of a slab, one behind the other, that are read with one call once the first of them is read. It is for one goroutine.
type span struct {
	slab        *Slab
	first, last int // frames
	sealed, raw int // bytes of all
	most        int // that raw may be
	bytes       []byte
	tried       bool
}

func newSpan(slab *Slab, frame int) *span {
	f := &slab.Frames[frame]
	return &span{slab: slab, first: frame, last: frame, sealed: int(f.Sealed), raw: f.Raw(), most: spanRaw}
}

// extend adds a frame to a span, if it is the last one of that or the next one, and there is room.
func (s *Slabs) extend(sp *span, slab *Slab, frame int) bool {
	if s.reads == 0 || sp.slab.ID != slab.ID {
		return false
	}
	if frame == sp.last {
		return true
	}
	f := &slab.Frames[frame]
	if frame != sp.last+1 || sp.sealed+int(f.Sealed) > spanBytes || sp.raw+f.Raw() > sp.most {
		return false
	}
	sp.last, sp.sealed, sp.raw = frame, sp.sealed+int(f.Sealed), sp.raw+f.Raw()
	return true
}

// readSpan gives a frame as it is in the storage, if the span has it and more than that. Where that can't be read, each frame is by
// itself: of what is cut short, the frames before are whole.
func (s *Slabs) readSpan(ctx context.Context, sp *span, slab *Slab, n int, sealed []byte) bool {
	if sp == nil || sp.first == sp.last || sp.slab.ID != slab.ID || n < sp.first || n > sp.last {
		return false
	}
	start := slab.offsets[sp.first]
	if !sp.tried {
		sp.tried = true
		b := s.buffers.spanFree.getOrMake(spanBytes)[:sp.sealed]
		if s.storage.ReadAt(ctx, names.Slab(slab.ID), b, start) == nil {
			sp.bytes = b // else a read that failed may go on
		}
	}
	if sp.bytes == nil {
		return false
	}
	copy(sealed, sp.bytes[slab.offsets[n]-start:])
	return true
}

// spanDone takes the memory of a span back.
func (s *Slabs) spanDone(sp *span) {
	if sp.bytes != nil {
		s.buffers.spanFree.put(sp.bytes)
		sp.bytes = nil
	}
}

// openWindow is how many runs are known ahead, whose slabs are opened.
const openWindow = 64

// aheadRun is one of them, or the error with which runs end.
type aheadRun struct {
	format.Run
	err error
}

// openAhead gives the same runs, and opens the slabs of those that come next beside each other: to open one takes two or three reads.
// What can't be opened shows when its run is read.
func (s *Slabs) openAhead(ctx context.Context, runs Runs) Runs {
	if s.reads == 0 {
		return runs
	}
	return func(yield func(format.Run, error) bool) {
		ctx, cancel := context.WithCancel(ctx)
		var opening sync.WaitGroup
		defer opening.Wait()
		defer cancel()
		ahead, slots := make(chan aheadRun, openWindow), make(chan struct{}, s.reads)
		opening.Go(func() {
			defer close(ahead)
			asked := make(map[format.SlabID]bool)
			for run, err := range runs {
				if err == nil && !asked[run.Slab] {
					asked[run.Slab] = true
					opening.Go(func() {
						select {
						case slots <- struct{}{}:
							s.Open(ctx, run.Slab)
							<-slots
						case <-ctx.Done():
						}
					})
				}
				select {
				case ahead <- aheadRun{run, err}:
				case <-ctx.Done():
					return
				}
			}
		})
		for run := range ahead {
			if !yield(run.Run, run.err) {
				return
			}
		}
	}
}
