package fetch

import (
	"bytes"
	"context"
	"errors"
	"strconv"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage/cache"
)

// purpose is what a frame is read for, and with which others.
type purpose struct {
	// base: contents that are captured will be said by it, or it stands below such a frame. What was a base will be
	// one again, and what lies behind it will be the next one.
	base bool
	with *span // nil: it is read alone
	// within: it is read for a frame that stands on it, whose room it has.
	within bool
}

// Frames that are read as bases one after the other are read several with one call: on a share a call takes as long as some
// hundred KiB. Twice as many each time, up to so many and so many bytes.
const (
	aheadFrames = 8
	aheadBytes  = 1 << 20
	cacheAhead  = 8 << 20 // of all slabs
)

// ahead is what was read last of a slab as bases.
type ahead struct {
	off    int64
	bytes  []byte
	frames int
	next   int // number of the frame behind them
}

// Keep has small slabs copied into a cache. With bases, which is a number of bytes, copies of others are read, too, and of so many
// bytes of frames that BaseFrame reads are made. It is called before anything is read.
func (s *Slabs) Keep(kept *cache.Folder, bases int64) {
	s.kept, s.long, s.bases = kept, bases > 0, bases
}

// BaseFrame is Frame for contents that are captured to be said by it.
func (s *Slabs) BaseFrame(ctx context.Context, slab *Slab, n int) ([]byte, error) {
	return s.frame(ctx, slab, n, purpose{base: true})
}

// openCopied opens a frame by the slab's copy, if that was there when the slab was opened, or by its own, which a base may have.
func (s *Slabs) openCopied(slab *Slab, n int, sealed []byte, why purpose) ([]byte, bool) {
	name, size, off := names.Slab(slab.ID), slab.Length, slab.offsets[n]
	if !slab.copied {
		if !why.base || !s.long {
			return nil, false
		}
		name, size, off = frameCopy(slab, n), int64(len(sealed)), 0
	}
	file := s.kept.Reader(name, size)
	if file == nil {
		return nil, false
	}
	defer file.Close()
	if _, err := file.ReadAt(sealed, off); err == nil {
		if packed, err := slab.unseal(n, sealed); err == nil {
			return packed, true
		}
	}
	s.kept.Drop(name)
	return nil, false
}

// frameCopy gives the name of the copy of a frame.
func frameCopy(slab *Slab, n int) string { return names.Slab(slab.ID) + "-" + strconv.Itoa(n) }

// openRead reads a frame of the storage, and opens it.
func (s *Slabs) openRead(ctx context.Context, slab *Slab, n int, sealed []byte, why purpose) (packed []byte, err error) {
	if why.base {
		err = s.readBase(ctx, slab, n, sealed)
	} else if !s.readSpan(ctx, why.with, slab, n, sealed) {
		err = s.storage.ReadAt(ctx, names.Slab(slab.ID), sealed, slab.offsets[n])
	}
	if err != nil {
		return nil, err
	}
	var as []byte // opening is in place
	if why.base && s.takesBase(len(sealed)) {
		as = bytes.Clone(sealed)
	}
	if packed, err = slab.unseal(n, sealed); err != nil {
		return nil, unopened{errors.Join(format.ErrDamaged, err)}
	}
	if as != nil {
		s.kept.Add(frameCopy(slab, n), as)
	}
	return packed, nil
}

// takesBase tells whether the copy of a base may have so many bytes, and counts them.
func (s *Slabs) takesBase(n int) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.kept == nil || s.bases < int64(n) {
		return false
	}
	s.bases -= int64(n)
	return true
}

// readBase reads a frame, and those behind it where such are read one after the other.
func (s *Slabs) readBase(ctx context.Context, slab *Slab, n int, sealed []byte) error {
	off := slab.offsets[n]
	s.mu.Lock()
	last, ok := s.ahead.get(slab.ID)
	s.mu.Unlock()
	if ok && off >= last.off && off-last.off+int64(len(sealed)) <= int64(len(last.bytes)) {
		copy(sealed, last.bytes[off-last.off:])
		return nil
	}
	now := &ahead{off: off, frames: 1, next: n + 1}
	if ok && n >= last.next && n <= last.next+last.frames {
		now.extend(slab, min(2*last.frames, aheadFrames))
	}
	if now.bytes == nil || s.storage.ReadAt(ctx, names.Slab(slab.ID), now.bytes, off) != nil {
		now.bytes = nil
		if err := s.storage.ReadAt(ctx, names.Slab(slab.ID), sealed, off); err != nil {
			return err
		}
	}
	copy(sealed, now.bytes)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ahead.put(slab.ID, now, len(now.bytes))
	return nil
}

// extend makes room for so many frames, of those that there are.
func (a *ahead) extend(slab *Slab, frames int) {
	length := int64(slab.Frames[a.next-1].Sealed)
	for a.frames < frames && a.next < len(slab.Frames) && length+int64(slab.Frames[a.next].Sealed) <= aheadBytes {
		length += int64(slab.Frames[a.next].Sealed)
		a.frames++
		a.next++
	}
	a.bytes = make([]byte, length)
}
