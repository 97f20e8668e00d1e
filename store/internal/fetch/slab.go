package fetch

import (
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// Slab is an opened slab.
type Slab struct {
	ID       format.SlabID
	Length   int64
	Frames   []format.Frame
	Group    []byte // nil: none
	Alike    bool   // as in format.SlabTable
	Trailers int    // how many of the two copies of its trailer are intact

	opener  *crypt.Opener
	start   int64                       // where the first frame begins
	end     int64                       // where the frames end, and the sections begin
	parity  struct{ off, length int64 } // the body of that section; of length 0 where there is none
	offsets []int64                     // of the frames in the slab
	first   []uint32                    // number of each frame's first chunk
	chunks  uint32
	copied  bool // it was opened by its copy
}

// memory gives about how many bytes of memory a slab takes.
func (slab *Slab) memory() int {
	bases := 0
	for i := range slab.Frames {
		bases += len(slab.Frames[i].Bases)
	}
	return 200 + 140*len(slab.Frames) + 4*int(slab.chunks) + 20*bases
}

// opening is a slab that somebody opens just now; it is there once done is closed.
type opening struct {
	done chan struct{}
	slab *Slab
	err  error
}

// Open reads the header, the trailer and the table of a slab. Of several who ask
// for a slab at once, one reads.
func (s *Slabs) Open(ctx context.Context, id format.SlabID) (*Slab, error) {
	for {
		s.mu.Lock()
		slab, ok := s.opened.get(id)
		if ok {
			s.mu.Unlock()
			return slab, nil
		}
		o, others := s.opening[id]
		if !others {
			o = &opening{done: make(chan struct{})}
			s.opening[id] = o
		}
		s.mu.Unlock()
		if !others {
			s.openFor(ctx, id, o)
			return o.slab, o.err
		}
		select {
		case <-o.done:
			if o.err == nil {
				return o.slab, nil
			}
			// Whoever was first may have been told to stop: ask again.
		case <-ctx.Done():
			return nil, &SlabError{id, -1, context.Cause(ctx)}
		}
	}
}

func (s *Slabs) openFor(ctx context.Context, id format.SlabID, o *opening) {
	o.slab, o.err = s.open(ctx, id)
	if o.err != nil && ctx.Err() == nil {
		o.slab, o.err = s.openHealed(ctx, id, AsDamage(o.err))
	}
	if o.err != nil {
		o.slab, o.err = nil, &SlabError{id, -1, AsDamage(o.err)}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.opening, id)
	if o.err == nil {
		s.opened.put(id, o.slab, o.slab.memory())
	}
	close(o.done)
}

func (s *Slabs) open(ctx context.Context, id format.SlabID) (*Slab, error) {
	s.mu.Lock()
	expected := s.length
	s.mu.Unlock()
	if length, ok := expected(id); ok {
		if slab, err := s.openSized(ctx, id, length); err == nil || ctx.Err() != nil {
			return slab, err
		}
		// It may have been listed wrongly.
	}
	info, err := s.storage.Stat(ctx, names.Slab(id))
	if err != nil {
		return nil, err
	}
	return s.openSized(ctx, id, info.Size)
}

// openSized opens a slab of that length. A small one is read at once. Its copy serves if there is one that opens.
func (s *Slabs) openSized(ctx context.Context, id format.SlabID, length int64) (*Slab, error) {
	if length > format.MaxSlab {
		return nil, fmt.Errorf("%w: a slab of %d bytes", format.ErrDamaged, length)
	}
	small := length <= s.guess
	if !small && !s.long {
		return s.openFrom(ctx, s.storage.ReadAt, id, length)
	}
	if file := s.kept.Reader(names.Slab(id), length); file != nil {
		slab, err := s.openFrom(ctx, func(_ context.Context, _ string, p []byte, off int64) error {
			_, err := file.ReadAt(p, off)
			return err
		}, id, length)
		file.Close()
		if err == nil {
			slab.copied = true
			return slab, nil
		}
		s.kept.Drop(names.Slab(id))
	}
	if !small {
		return s.openByEnd(ctx, id, length)
	}
	slab, err := s.openFrom(ctx, s.storage.ReadAt, id, length)
	if err == nil && s.kept != nil {
		s.mu.Lock()
		end, ok := s.ends.get(id)
		s.mu.Unlock()
		if ok && end.off == 0 {
			s.kept.Add(names.Slab(id), end.bytes)
		}
	}
	return slab, err
}

// openFrom opens a slab by reading it with read.
func (s *Slabs) openFrom(ctx context.Context, read reading, id format.SlabID, length int64) (*Slab, error) {
	head := make([]byte, min(format.MaxHeader, length))
	if length <= s.guess {
		head = make([]byte, length)
	}
	if err := read(ctx, names.Slab(id), head, 0); err != nil {
		return nil, err
	}
	h, n, err := format.ParseHeader(head[:min(format.MaxHeader, length)], format.Slab)
	if err != nil {
		return nil, err
	}
	opener, err := h.Open(s.keys, s.object(id))
	if err != nil {
		return nil, err
	}
	slab := &Slab{ID: id, Length: length, opener: opener}
	tail := head
	if int64(len(head)) < length {
		tail = make([]byte, min(s.guess, length))
		if err := read(ctx, names.Slab(id), tail, length-int64(len(tail))); err != nil {
			return nil, err
		}
	}
	end, err := s.readTable(ctx, read, slab, tail, int64(n))
	if err != nil {
		return nil, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ends.put(id, end, len(end.bytes))
	return slab, nil
}

// end is a part of a slab, with what lies at its end but for parity, or all of it.
type end struct {
	off   int64
	bytes []byte
}

func (s *Slabs) object(id format.SlabID) crypt.ObjectName {
	return crypt.ObjectName{Repository: s.repo, Kind: format.Slab.String(), Name: id.String()}
}

type reading func(ctx context.Context, name string, p []byte, off int64) error

// readTable reads the table at the slab's end, tail or more, and gives what it read; the slab's frames begin at byte start.
func (s *Slabs) readTable(ctx context.Context, read reading, slab *Slab, tail []byte, start int64) (*end, error) {
	if len(tail) < format.TrailerSize {
		return nil, fmt.Errorf("%w: the slab is cut short", format.ErrDamaged)
	}
	trailer, intact, err := format.ParseTrailer(tail[len(tail)-format.TrailerSize:], slab.Length, slab.opener)
	if err != nil {
		return nil, err
	}
	slab.Trailers = intact
	last := slab.Length - int64(format.TrailerSize)
	first := int64(trailer.Sections)
	e := &end{slab.Length - int64(len(tail)), tail}
	if first < e.off { // mostly since parity stands between: what is before it is of use
		e.off = max(0, first-s.guess)
		e.bytes = make([]byte, min(first+s.guess, last)-e.off)
		if err := read(ctx, names.Slab(slab.ID), e.bytes, e.off); err != nil {
			return nil, err
		}
	}
	there := e.bytes[first-e.off : min(int64(len(e.bytes)), last-e.off)]
	sections, err := format.FindSections(there, int(last-first))
	if errors.Is(err, format.ErrMore) {
		e.off, e.bytes = first, make([]byte, last-first)
		if err := read(ctx, names.Slab(slab.ID), e.bytes, e.off); err != nil {
			return nil, err
		}
		sections, err = format.FindSections(e.bytes, len(e.bytes))
	}
	if err != nil {
		return nil, err
	}
	slab.parity.off, slab.parity.length = first+int64(sections.Parity.Off), int64(sections.Parity.Length)
	return e, s.openTable(slab, sections.Table, start, first)
}

// openTable opens a slab's table; the frames end at byte first.
func (s *Slabs) openTable(slab *Slab, sealed []byte, start, first int64) error {
	plain, err := slab.opener.Open(nil, sealed, crypt.Piece{Kind: crypt.PieceSection, Number: uint64(format.TableSection)})
	if err != nil {
		return fmt.Errorf("%w: its table: %w", format.ErrDamaged, err)
	}
	table, err := format.DecodeSlabTable(plain)
	if err != nil {
		return err
	}
	slab.Group, slab.Alike = table.Group, table.Alike
	return slab.layOut(table.Frames, start, first)
}

// layOut finds out where each frame lies, between the bytes start and end.
func (slab *Slab) layOut(frames []format.Frame, start, end int64) error {
	slab.Frames, slab.start, slab.end = frames, start, end
	for i := range frames {
		slab.offsets = append(slab.offsets, start)
		slab.first = append(slab.first, slab.chunks)
		start += int64(frames[i].Sealed)
		slab.chunks += uint32(len(frames[i].Chunks))
	}
	if start != end {
		return fmt.Errorf("%w: the slab's frames end at byte %d and its table says %d", format.ErrDamaged, end, start)
	}
	return nil
}

// Chunks gives the number of chunks in the slab.
func (slab *Slab) Chunks() uint32 { return slab.chunks }

// ChunkLength gives the length of a chunk by its number within the slab.
func (slab *Slab) ChunkLength(chunk uint32) (int, bool) {
	if chunk >= slab.chunks {
		return 0, false
	}
	frame := slab.frameOf(chunk)
	return int(slab.Frames[frame].Chunks[chunk-slab.first[frame]]), true
}

// FirstChunk gives the number, within the slab, of a frame's first chunk.
func (slab *Slab) FirstChunk(frame int) uint32 { return slab.first[frame] }

// FrameOf gives the frame in which a chunk lies that the slab has.
func (slab *Slab) FrameOf(chunk uint32) int { return slab.frameOf(chunk) }
