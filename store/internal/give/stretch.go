package give

import (
	"context"
	"errors"
	"io"
	"slices"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
)

// stretch is a number of consecutive chunks of a stream, any part of which can be read.
type stretch struct {
	r        *Giver
	ctx      context.Context
	contents *openedContents // the stream
	pieces   []piece
	length   int64 // in bytes
}

// piece is a run of a stretch, which begins at that byte of it.
type piece struct {
	format.Run
	start int64
}

// stretch gives some chunks of a stream. Reading them heeds ctx.
func (r *Giver) stretch(ctx context.Context, c *openedContents, first, count uint64) (*stretch, error) {
	runs, err := c.cut(first, count)
	if err != nil {
		return nil, err
	}
	s := &stretch{r: r, ctx: ctx, contents: c}
	for _, run := range runs {
		s.pieces = append(s.pieces, piece{run, s.length})
		for n := range run.Count {
			length, err := r.lengthOf(ctx, c, run.Slab, run.First+n)
			if err != nil {
				return nil, err
			}
			s.length += length * int64(max(run.Times, 1))
		}
	}
	return s, nil
}

// stored opens it from a byte up to another, as it is stored.
func (s *stretch) stored(from, to int64) (*memberStream, error) {
	runs, lead, err := s.runs(from, to)
	if err != nil {
		return nil, err
	}
	r := s.r.slabs.ReadWith(s.ctx, fetch.Inline(runs), fetch.ReadOptions{Want: s.contents.proof.want, Lend: true})
	return &memberStream{ctx: s.ctx, chunks: r, in: fetch.Bytes(r.Next), at: from - lead}, nil
}

// runs gives the runs in which the bytes from one to another lie, and how many bytes
// they begin before.
func (s *stretch) runs(from, to int64) (runs []format.Run, lead int64, err error) {
	first, exact := slices.BinarySearchFunc(s.pieces, from, func(p piece, off int64) int {
		switch {
		case p.start < off:
			return -1
		case p.start > off:
			return 1
		}
		return 0
	})
	if !exact && first > 0 {
		first--
	}
	for i, p := range s.pieces[first:] {
		if p.start >= to {
			break
		}
		run, before, err := s.cutPiece(p, max(0, from-p.start), to-p.start)
		if err != nil {
			return nil, 0, err
		}
		if i == 0 {
			lead = before
		}
		runs = append(runs, run)
	}
	return runs, lead, nil
}

// cutPiece gives the chunks of a piece in which its bytes from one to another lie, and
// how many bytes the first begins before. The last may lie behind the piece.
func (s *stretch) cutPiece(p piece, from, to int64) (run format.Run, lead int64, err error) {
	run = p.Run
	if run.Times > 1 {
		length, err := s.r.lengthOf(s.ctx, s.contents, run.Slab, run.First)
		if err != nil {
			return run, 0, err
		}
		first := from / length
		run.Times = uint32(min((to+length-1)/length, int64(p.Times)) - first)
		return run, from - first*length, nil
	}
	at, first := int64(0), uint32(0)
	for n := range p.Count {
		length, err := s.r.lengthOf(s.ctx, s.contents, p.Slab, p.First+n)
		if err != nil {
			return run, 0, err
		}
		if at <= from {
			first, lead = n, from-at
		}
		if at += length; at >= to {
			run.Count = n + 1
			break
		}
	}
	run.First += first
	run.Count -= first
	return run, lead, nil
}

// memberStream reads a content from some byte on.
type memberStream struct {
	ctx    context.Context
	chunks *fetch.Reader
	in     io.Reader
	at     int64
}

// readFrom reads from a byte on, at which the stream is or which is still to come.
func (s *memberStream) readFrom(off int64, p []byte) (int, error) {
	skip := make([]byte, min(off-s.at, 64<<10))
	for s.at < off {
		n, err := s.readSome(skip[:min(off-s.at, int64(len(skip)))])
		if n == 0 && err != nil {
			return 0, err
		}
	}
	n, err := s.readSome(p)
	if n > 0 && errors.Is(err, io.EOF) {
		err = nil // of the last bytes; whether too few is seen by who asks on
	}
	return n, err
}

// readSome heeds the context also within a hole, which may be of exabytes.
func (s *memberStream) readSome(p []byte) (int, error) {
	if s.ctx.Err() != nil {
		return 0, context.Cause(s.ctx)
	}
	n, err := s.in.Read(p)
	s.at += int64(n)
	return n, err
}

func (s *memberStream) close() {
	if s != nil {
		s.chunks.Close()
	}
}
