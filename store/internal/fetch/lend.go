package fetch

import (
	"context"
	"sync"

	"github.com/kistarchive/kist/store/internal/format"
)

// loan says who has the memory of a frame. Slabs.mu guards it.
type loan struct {
	users     int  // to whom it is lent
	kept      bool // given to someone who does not give it back
	forgotten bool // by the cache
}

// buffers are used again: to get new memory for every frame keeps the garbage
// collector as busy as a core, and it empties a sync.Pool faster than frames come.
type buffers struct {
	sealedFree, rawFree, shortFree, spanFree freeList
}

// freeList keeps a few buffers. It is safe for concurrent use.
type freeList struct {
	mu   sync.Mutex
	free [][]byte
}

// maxFree is how many buffers wait to be used again: as many as are given back
// while nobody reads ahead.
const maxFree = 8

// get gives a buffer with room for n bytes, or nil.
func (l *freeList) get(n int) []byte {
	l.mu.Lock()
	defer l.mu.Unlock()
	last := len(l.free) - 1
	if last < 0 || cap(l.free[last]) < n {
		return nil
	}
	buf := l.free[last]
	l.free[last] = nil
	l.free = l.free[:last]
	return buf
}

// getOrMake gives an empty buffer with room for n bytes.
func (l *freeList) getOrMake(n int) []byte {
	if buf := l.get(n); buf != nil {
		return buf[:0]
	}
	return make([]byte, 0, n)
}

func (l *freeList) put(buf []byte) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.free) < maxFree {
		l.free = append(l.free, buf)
	}
}

// Buffers that are used again have room for one of nearly all frames, and one length.
const (
	usualSealed = format.FrameTarget + 4<<10
	usualRaw    = format.FrameTarget + slack

	shortRaw = format.DeltaTarget + slack // where there are deltas

	// little, in bytes, is made anew: clearing a buffer for any frame would take longer.
	little = 64 << 10

	// slack is the room behind a frame without which the decoder copies with more care.
	slack = 64
)

// sealed gives a buffer of n bytes.
func (b *buffers) sealed(n int) []byte {
	if n <= little || n > usualSealed {
		return make([]byte, n)
	}
	if buf := b.sealedFree.get(n); buf != nil {
		return buf[:n]
	}
	return make([]byte, n, usualSealed)
}

// sealedDone takes a buffer back.
func (b *buffers) sealedDone(buf []byte) {
	if cap(buf) == usualSealed {
		b.sealedFree.put(buf)
	}
}

// raw gives a buffer for a frame of n bytes, or nil. The cache counts n bytes for it,
// so that a short frame gets no large one.
func (b *buffers) raw(n int) []byte {
	switch {
	case n >= format.FrameTarget/2 && n <= format.FrameTarget:
		return b.rawFree.getOrMake(usualRaw)
	case n >= format.DeltaTarget/2 && n <= format.DeltaTarget:
		return b.shortFree.getOrMake(shortRaw)
	}
	return nil
}

// buffered gives how many bytes a buffer for n at the most takes.
func buffered(n int) int {
	switch {
	case n <= little:
		return n + slack
	case n <= format.DeltaTarget:
		return shortRaw
	}
	return max(n+slack, usualRaw)
}

// bufferedSealed gives how many the buffer for a sealed frame of n takes.
func bufferedSealed(n int) int {
	if n <= little {
		return n
	}
	return max(n, usualSealed)
}

// part gives a buffer for a part of a delta, of at most n bytes.
func (b *buffers) part(n int) []byte {
	switch {
	case n > little && n <= format.DeltaTarget:
		return b.shortFree.getOrMake(shortRaw)
	case n > little && n <= format.FrameTarget:
		return b.rawFree.getOrMake(usualRaw)
	}
	return make([]byte, 0, n+slack)
}

// rawDone takes a buffer back.
func (b *buffers) rawDone(buf []byte) {
	switch cap(buf) {
	case usualRaw:
		b.rawFree.put(buf[:0])
	case shortRaw:
		b.shortFree.put(buf[:0])
	}
}

// lend is Frame for who gives the frame back.
func (s *Slabs) lend(ctx context.Context, slab *Slab, n int, why purpose) (*cachedFrame, error) {
	f, done, err := s.claim(ctx, slab, n, why, func(f *cachedFrame) { f.users++ })
	if err != nil {
		return nil, err
	}
	key := frameKey{slab.ID, n}
	if done != nil {
		f.raw, f.err = s.readFrame(ctx, slab, n, s.buffers.raw(slab.Frames[n].Raw()), why)
		close(f.ready)
		done()
		return s.lent(key, f)
	}
	select {
	case <-f.ready:
	case <-ctx.Done():
		s.giveBack(f)
		return nil, context.Cause(ctx)
	}
	if f.err != nil && ctx.Err() == nil {
		// The reader that was first may have been told to stop: ask again.
		s.giveBack(f)
		f = &cachedFrame{loan: loan{users: 1, forgotten: true}}
		f.raw, f.err = s.readAlone(ctx, slab, n, nil, why)
	}
	return s.lent(key, f)
}

// lent gives a frame that is there, or takes one back that failed.
func (s *Slabs) lent(key frameKey, f *cachedFrame) (*cachedFrame, error) {
	if f.err == nil {
		return f, nil
	}
	s.mu.Lock()
	s.frames.remove(key, f)
	s.mu.Unlock()
	s.giveBack(f)
	return nil, f.err
}

// Hold keeps the block's bytes until release is called, which any goroutine may
// do, once.
func (b Block) Hold() (release func()) {
	if b.lent == nil {
		return func() {}
	}
	b.slabs.mu.Lock()
	b.lent.users++
	b.slabs.mu.Unlock()
	return func() { b.slabs.giveBack(b.lent) }
}

// giveBack ends a loan, if it is one.
func (s *Slabs) giveBack(f *cachedFrame) {
	if f == nil {
		return
	}
	s.mu.Lock()
	f.users--
	s.reuse(f)
	s.mu.Unlock()
}

// forgotten is called when the cache drops a frame, with s.mu held.
func (s *Slabs) forgotten(f *cachedFrame) {
	f.forgotten = true
	s.reuse(f)
}

// reuse takes the memory of a frame that nobody has any more.
func (s *Slabs) reuse(f *cachedFrame) {
	if f.forgotten && f.users == 0 && !f.kept && f.raw != nil {
		s.buffers.rawDone(f.raw)
		f.raw = nil
	}
}
