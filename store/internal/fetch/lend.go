package fetch

import (
	"context"
	"sync"
)

// loan says who has the memory of a frame. Slabs.mu guards it.
type loan struct {
	users     int  // to whom it is lent
	kept      bool // given to someone who does not give it back
	forgotten bool // by the cache
}

// buffers are used again: to get new memory for every frame keeps the garbage
// collector as busy as a core.
type buffers struct {
	sealedPool, rawPool sync.Pool // of *[]byte
}

// sealed gives a buffer of n bytes.
func (b *buffers) sealed(n int) []byte {
	if buf, ok := b.sealedPool.Get().(*[]byte); ok && cap(*buf) >= n {
		return (*buf)[:n]
	}
	return make([]byte, n)
}

// raw gives a buffer that has room for something, or nil.
func (b *buffers) raw() []byte {
	if buf, ok := b.rawPool.Get().(*[]byte); ok {
		return *buf
	}
	return nil
}

// lend is Frame for who gives the frame back.
func (s *Slabs) lend(ctx context.Context, slab *Slab, n int) (*frame, error) {
	key := frameKey{slab.ID, n}
	s.mu.Lock()
	f, ok := s.frames.get(key)
	if !ok {
		f = &frame{ready: make(chan struct{})}
		s.frames.put(key, f, slab.Frames[n].Raw())
	}
	f.users++
	s.mu.Unlock()
	if !ok {
		f.raw, f.err = s.ReadFrame(ctx, slab, n, s.buffers.raw())
		close(f.ready)
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
		f = &frame{loan: loan{users: 1, forgotten: true}}
		f.raw, f.err = s.ReadFrame(ctx, slab, n, nil)
	}
	return s.lent(key, f)
}

// lent gives a frame that is there, or takes one back that failed.
func (s *Slabs) lent(key frameKey, f *frame) (*frame, error) {
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
func (s *Slabs) giveBack(f *frame) {
	if f == nil {
		return
	}
	s.mu.Lock()
	f.users--
	s.reuse(f)
	s.mu.Unlock()
}

// forgotten is called when the cache drops a frame, with s.mu held.
func (s *Slabs) forgotten(f *frame) {
	f.forgotten = true
	s.reuse(f)
}

// reuse takes the memory of a frame that nobody has any more.
func (s *Slabs) reuse(f *frame) {
	if f.forgotten && f.users == 0 && !f.kept && f.raw != nil {
		raw := f.raw[:0]
		f.raw = nil
		s.buffers.rawPool.Put(&raw)
	}
}
