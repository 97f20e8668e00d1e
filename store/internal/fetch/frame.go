package fetch

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// unopened is a frame that can't be opened. A SlabError around it says where, so that its own text does not.
type unopened struct{ error }

type frameKey struct {
	slab  format.SlabID
	frame int
}

// cachedFrame is a decompressed frame, there once ready is closed.
type cachedFrame struct {
	ready chan struct{}
	raw   []byte
	err   error
	loan
}

// decode decompresses a frame into a buffer, which says by its room how much may come out.
func (s *Slabs) decode(packed, buf []byte) ([]byte, error) {
	s.using.RLock()
	defer s.using.RUnlock()
	if s.closed {
		return nil, crypt.ErrKeysWiped
	}
	raw, err := s.decoder.DecodeAll(packed, buf)
	if err != nil {
		err = fmt.Errorf("%w: %w", format.ErrDamaged, err)
	}
	return raw, err
}

// openFrame gives what is compressed in a frame, within sealed, which is as long as
// the frame. Where an end that was kept or a copy does not open, the slab itself decides, and then its parity.
func (s *Slabs) openFrame(ctx context.Context, slab *Slab, n int, sealed []byte, why purpose) ([]byte, error) {
	off := slab.offsets[n]
	s.mu.Lock()
	end, ok := s.ends.get(slab.ID)
	s.mu.Unlock()
	if ok && off >= end.off && off-end.off+int64(len(sealed)) <= int64(len(end.bytes)) {
		copy(sealed, end.bytes[off-end.off:])
		if packed, err := slab.unseal(n, sealed); err == nil {
			return packed, nil
		}
		s.mu.Lock()
		s.ends.remove(slab.ID, end)
		s.mu.Unlock()
		s.kept.Drop(names.Slab(slab.ID))
		s.kept.Drop(endCopy(slab.ID))
	}
	if packed, ok := s.openCopied(slab, n, sealed, why); ok {
		return packed, nil
	}
	packed, err := s.openRead(ctx, slab, n, sealed, why)
	if err == nil {
		return packed, nil
	}
	return s.openHealedFrame(ctx, slab, n, sealed, AsDamage(err))
}

// unseal opens a frame in its place.
func (slab *Slab) unseal(n int, sealed []byte) ([]byte, error) {
	return slab.opener.Open(sealed[:0], sealed, crypt.Piece{Kind: crypt.PieceFrame, Number: uint64(n)})
}

// Frame gives the decompressed bytes of a frame, which the caller must not
// change.
func (s *Slabs) Frame(ctx context.Context, slab *Slab, n int) ([]byte, error) {
	return s.frame(ctx, slab, n, purpose{})
}

func (s *Slabs) frame(ctx context.Context, slab *Slab, n int, why purpose) ([]byte, error) {
	f, done, err := s.claim(ctx, slab, n, why, func(f *cachedFrame) { f.kept = true })
	if err != nil {
		return nil, err
	}
	if done != nil {
		f.raw, f.err = s.readFrame(ctx, slab, n, nil, why)
		if f.err != nil {
			s.mu.Lock()
			s.frames.remove(frameKey{slab.ID, n}, f)
			s.mu.Unlock()
		}
		close(f.ready)
		done()
		return f.raw, f.err
	}
	select {
	case <-f.ready:
		if f.err != nil && ctx.Err() == nil {
			// The reader that was first may have been told to stop: ask again.
			return s.readAlone(ctx, slab, n, nil, why)
		}
		return f.raw, f.err
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// claim finds a frame in the cache, or puts one there which the caller is to read: it calls done behind that. Room for it was
// taken then, and not before anybody could wait for the frame. mark is called for it, under s.mu.
func (s *Slabs) claim(ctx context.Context, slab *Slab, n int, why purpose, mark func(*cachedFrame)) (f *cachedFrame, done func(), err error) {
	key := frameKey{slab.ID, n}
	s.mu.Lock()
	defer s.mu.Unlock()
	f, ok := s.frames.get(key)
	if !ok {
		s.mu.Unlock()
		done, err = s.take(ctx, slab, n, why)
		s.mu.Lock()
		if err != nil {
			return nil, nil, err
		}
		if f, ok = s.frames.get(key); ok {
			done()
			done = nil
		}
	}
	if !ok {
		f = &cachedFrame{ready: make(chan struct{})}
		s.frames.put(key, f, slab.Frames[n].Raw())
	}
	mark(f)
	return f, done, nil
}

// ReadFrame reads, opens and decompresses a frame past the cache, into buf if
// that has room.
func (s *Slabs) ReadFrame(ctx context.Context, slab *Slab, n int, buf []byte) ([]byte, error) {
	return s.readAlone(ctx, slab, n, buf, purpose{})
}

// readAlone is readFrame with room of its own, where there is none yet.
func (s *Slabs) readAlone(ctx context.Context, slab *Slab, n int, buf []byte, why purpose) ([]byte, error) {
	done, err := s.take(ctx, slab, n, why)
	if err != nil {
		return nil, err
	}
	defer done()
	return s.readFrame(ctx, slab, n, buf, why)
}

// readFrame reads a frame for which there is room.
func (s *Slabs) readFrame(ctx context.Context, slab *Slab, n int, buf []byte, why purpose) ([]byte, error) {
	f := &slab.Frames[n]
	fail := func(err error) ([]byte, error) { return nil, &SlabError{slab.ID, n, AsDamage(err)} }
	sealed := s.buffers.sealed(int(f.Sealed))
	packed, err := s.openFrame(ctx, slab, n, sealed, why)
	if err != nil {
		return fail(err) // sealed is not used again: a read that failed may go on
	}
	raw, err := s.unpack(ctx, slab, n, packed, buf, why, func() {
		s.buffers.sealedDone(sealed)
		sealed = nil
	})
	if err != nil {
		return fail(err)
	}
	return raw, nil
}
