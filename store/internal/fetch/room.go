package fetch

import (
	"context"
	"slices"

	"golang.org/x/sync/semaphore"

	"github.com/kistarchive/kist/store/internal/format"
)

// All frames that are put together at the same time have so much memory, in bytes: at least leastRoom, which is more than any frame
// needs, some 51 MiB, and workerRoom for each worker. Of what writers make a frame needs 2 MiB, or 3 to 6 where it stands on others,
// so that few of them wait.
const (
	leastRoom  = 64 << 20
	workerRoom = 5 << 20
)

// room bounds the memory of frames that are put together, with all that they stand on. It is asked for by the outermost frame alone,
// once, before anybody can wait for that frame; who has it waits for frames of less depth only, until it is given back. So whoever
// waits, for room or for a frame that somebody else reads, waits for one that goes on.
type room struct {
	*semaphore.Weighted
	size int
}

func newRoom(workers int) room {
	size := max(leastRoom, workers*workerRoom)
	return room{semaphore.NewWeighted(int64(size)), size}
}

// take waits until there is room for a frame, if it is not within another one. It is given back by a call of done.
func (s *Slabs) take(ctx context.Context, slab *Slab, n int, why purpose) (done func(), err error) {
	if why.within {
		return func() {}, nil
	}
	for _, b := range slab.Frames[n].Bases { // so that need knows them
		if b.Slab == slab.ID {
			continue
		}
		if _, err := s.Open(ctx, b.Slab); err != nil {
			break // it is met again, before those behind it are
		}
	}
	need := int64(min(s.need(slab, n), s.room.size))
	if err := s.room.Acquire(ctx, need); err != nil {
		return nil, context.Cause(ctx)
	}
	return func() { s.room.Release(need) }, nil
}

// need gives how many bytes a frame takes while it is put together, at the most.
func (s *Slabs) need(slab *Slab, n int) int {
	return buffered(slab.Frames[n].Raw()) + s.needBeside(slab, n)
}

// needBeside is need without what the frame holds: what is sealed, the two parts of a delta, and then its bases in the place of what
// is sealed, of which one after the other is read.
func (s *Slabs) needBeside(slab *Slab, n int) int {
	f := &slab.Frames[n]
	sealed := bufferedSealed(int(f.Sealed))
	if f.Kind != format.Delta {
		return sealed
	}
	bases, beside := s.needOfBases(slab, f)
	return 2*buffered(f.Raw()) + max(sealed, bases+beside)
}

// needOfBases gives what the bases of a frame hold, all together, and what one of them takes beside that. Of a slab that is not open
// it supposes the most.
func (s *Slabs) needOfBases(slab *Slab, f *format.Frame) (bases, beside int) {
	seen := make([]frameKey, 0, format.MaxBaseFrames)
	for _, b := range f.Bases {
		if len(seen) == format.MaxBaseFrames {
			break // nobody reads a frame that has more
		}
		on := slab
		if b.Slab != slab.ID {
			on = s.openedBefore(b.Slab)
		}
		if on == nil {
			seen = append(seen, frameKey{b.Slab, -1})
			bases += buffered(format.MaxBaseRaw)
			beside = max(beside, mostBeside(f.Depth-1))
			continue
		}
		p, err := on.base(b, f.Depth)
		if err != nil {
			continue // nobody reads a frame that has such a base
		}
		key := frameKey{b.Slab, p.frame}
		if slices.Contains(seen, key) {
			continue
		}
		seen = append(seen, key)
		bases += buffered(on.Frames[p.frame].Raw())
		beside = max(beside, s.needBeside(on, p.frame))
	}
	return bases, beside
}

// mostBeside is what needBeside gives at the most for a base of a depth.
func mostBeside(depth uint32) int {
	if depth == 0 {
		return format.MaxFrameSealed
	}
	return (2+format.MaxBaseFrames)*buffered(format.MaxBaseRaw) + mostBeside(depth-1)
}

// openedBefore gives a slab that is open, or nil.
func (s *Slabs) openedBefore(id format.SlabID) *Slab {
	s.mu.Lock()
	defer s.mu.Unlock()
	slab, _ := s.opened.get(id)
	return slab
}
