package fetch

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/store/internal/delta"
	"github.com/kistarchive/kist/store/internal/format"
)

// unpack gives what a frame holds, of what is compressed in it, in buf if that has room. It calls done once it needs that no more.
func (s *Slabs) unpack(ctx context.Context, slab *Slab, n int, packed, buf []byte, why purpose, done func()) (raw []byte, err error) {
	f := &slab.Frames[n]
	if cap(buf) < f.Raw() {
		buf = make([]byte, 0, f.Raw()+slack)
	}
	switch f.Kind {
	case format.Zstd:
		raw, err = s.decode(packed, buf[:0])
		done()
	case format.Delta:
		raw, err = s.unpackDelta(ctx, slab, n, packed, buf[:0], why, done)
	default:
		done()
		err = fmt.Errorf("%w: frame kind %d", format.ErrUnknownPart, f.Kind)
	}
	if err == nil && len(raw) != f.Raw() {
		err = fmt.Errorf("%w: %d bytes where the table says %d", format.ErrDamaged, len(raw), f.Raw())
	}
	return raw, err
}

// unpackDelta takes the copies of a frame of kind Delta out of its bases. What can't be is refused before one of them is read.
func (s *Slabs) unpackDelta(ctx context.Context, slab *Slab, n int, packed, buf []byte, why purpose, done func()) ([]byte, error) {
	f := &slab.Frames[n]
	copies, literals, err := s.parts(f, packed)
	done()
	defer s.buffers.rawDone(copies)
	defer s.buffers.rawDone(literals)
	if err != nil {
		return nil, err
	}
	places, err := s.basesOf(ctx, slab, f)
	if err != nil {
		return nil, err
	}
	said, err := delta.Parse(copies, literals, f.Raw(), lengthsOfBases(places)...)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", format.ErrDamaged, err)
	}
	if !why.base { // a capture goes along once, and has enough in memory
		s.mu.Lock()
		s.frames.limit = max(s.frames.limit, cacheBases)
		s.mu.Unlock()
	}
	bases, err := s.lendBases(ctx, places, said.Needs, why)
	defer func() {
		for _, b := range bases {
			s.giveBack(b.lent)
		}
	}()
	if err != nil {
		return nil, err
	}
	return said.Append(buf, basesBytes(bases)...), nil
}

// parts gives the copies and the literals of a delta.
func (s *Slabs) parts(f *format.Frame, packed []byte) (copies, literals []byte, err error) {
	if int(f.Copies) > len(packed) {
		return nil, nil, fmt.Errorf("%w: copies that are cut short", format.ErrDamaged)
	}
	if copies, err = s.part(packed[:f.Copies], f.Raw()); err == nil {
		literals, err = s.part(packed[f.Copies:], f.Raw())
	}
	return copies, literals, err
}

// part decompresses a part of a delta, which has no more bytes than the frame holds. None may be left out.
func (s *Slabs) part(packed []byte, most int) ([]byte, error) {
	if len(packed) == 0 {
		return nil, nil
	}
	b, err := s.decode(packed, s.buffers.part(most))
	if err == nil && len(b) > most {
		err = fmt.Errorf("%w: a part of a delta is longer than the frame", format.ErrDamaged)
	}
	return b, err
}

// lentBase is a base in the memory of its frame; nothing where no byte of it is needed.
type lentBase struct {
	bytes []byte
	lent  *cachedFrame
}

// lendBases gives the bases that are needed, in their places, all that it could have, to be given back, also with an error. That
// each is of less depth than what stands on it is seen to before it is read: so no circle is ever followed.
func (s *Slabs) lendBases(ctx context.Context, places []basePlace, needed func(int) bool, why purpose) ([]lentBase, error) {
	why.within = true
	bases := make([]lentBase, len(places))
	for i, p := range places {
		if !needed(i) {
			continue
		}
		lent, err := s.lend(ctx, p.slab, p.frame, why)
		if err != nil {
			return bases, fmt.Errorf("%w: %w", ErrBase, err)
		}
		bases[i] = lentBase{lent.raw[p.from:p.to], lent}
	}
	return bases, nil
}

func basesBytes(bases []lentBase) (all [][]byte) {
	for _, b := range bases {
		all = append(all, b.bytes)
	}
	return all
}

// basePlace is a base: bytes of a frame.
type basePlace struct {
	slab     *Slab
	frame    int
	from, to int
}

func lengthsOfBases(places []basePlace) (all []int) {
	for _, p := range places {
		all = append(all, p.to-p.from)
	}
	return all
}

// basesOf finds the bases of a frame, and holds them against the limits.
func (s *Slabs) basesOf(ctx context.Context, slab *Slab, f *format.Frame) (places []basePlace, err error) {
	length := 0
	frames := make(map[frameKey]bool, format.MaxBaseFrames)
	places = make([]basePlace, 0, len(f.Bases))
	for _, b := range f.Bases {
		on := slab
		if b.Slab != slab.ID {
			if on, err = s.Open(ctx, b.Slab); err != nil {
				return nil, fmt.Errorf("%w: %w", ErrBase, err)
			}
		}
		p, err := on.base(b, f.Depth)
		if err != nil {
			return nil, fmt.Errorf("%w: a base in slab %s: %s", format.ErrDamaged, b.Slab, err)
		}
		frames[frameKey{b.Slab, p.frame}] = true
		places = append(places, p)
		length += p.to - p.from
	}
	if len(frames) > format.MaxBaseFrames || length > delta.MaxBase {
		return nil, fmt.Errorf("%w: bases of %d bytes in %d frames", format.ErrDamaged, length, len(frames))
	}
	return places, nil
}

// BaseFrame gives the frame of the slab in which a base of a frame of some depth lies, or says why it can't be one.
func (slab *Slab) BaseFrame(b format.Base, depth uint32) (frame int, err error) {
	p, err := slab.base(b, depth)
	if err != nil {
		return 0, fmt.Errorf("%w: a base in slab %s: %s", format.ErrDamaged, b.Slab, err)
	}
	return p.frame, nil
}

// base finds a base in the slab where it lies, for a frame of some depth.
func (slab *Slab) base(b format.Base, depth uint32) (p basePlace, err error) {
	if uint64(b.First)+uint64(b.Count) > uint64(slab.chunks) {
		return p, fmt.Errorf("chunk %d is named, and there are %d", b.First+b.Count-1, slab.chunks)
	}
	p.slab, p.frame = slab, slab.frameOf(b.First)
	f, from := &slab.Frames[p.frame], b.First-slab.first[p.frame]
	if err := format.CheckBase(f.Depth, f.Raw(), depth); err != nil {
		return p, err
	}
	if int(from)+int(b.Count) > len(f.Chunks) {
		return p, fmt.Errorf("chunks of several frames")
	}
	p.from = sum(f.Chunks[:from])
	p.to = p.from + sum(f.Chunks[from:][:b.Count])
	return p, nil
}
