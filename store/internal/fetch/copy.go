package fetch

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// Copy reads a slab as it lies in the storage, from front to back, for who puts it elsewhere. Every
// sealed piece is opened as it passes, and every chunk hashed: reading fails at the first that is not
// what was written. Of two copies of the trailer the one that is whole is given in the place of
// a harmed one, and where parity heals what is damaged, all is given as it was written. Sections that this release does not know pass as they are. It takes the memory of
// two frames, and 4 MiB where reads wait for something far away, is for one goroutine, and implements io.Reader.
type Copy struct {
	s     *Slabs
	ctx   context.Context
	slab  *Slab
	whole []byte // all of it, once something damaged was healed
	front front  // what was read with one call
	next  int    // frame; -1: the header
	rest  []byte // of the piece that Read is at
	piece []byte // its memory
	open  []byte // a frame while it is opened
	raw   []byte
	hash  *crypt.Hasher

	record format.SlabRecord
	failed error
}

// Copy begins to read a slab. Its error is a *SlabError, as those of reading.
func (s *Slabs) Copy(ctx context.Context, id format.SlabID) (*Copy, error) {
	slab, err := s.Open(ctx, id)
	if err != nil {
		return nil, err
	}
	return &Copy{
		s: s, ctx: ctx, slab: slab, next: -1, hash: s.keys.NewHasher(),
		record: format.SlabRecord{Slab: id, Length: uint64(slab.Length), Group: slab.Group},
	}, nil
}

// Record gives what a table says of the slab, once it was read to its end.
func (c *Copy) Record() *format.SlabRecord { return &c.record }

// Frames gives what the slab says of its frames.
func (c *Copy) Frames() []format.Frame { return c.slab.Frames }

// Failed gives what reading failed of, or nil.
func (c *Copy) Failed() error { return c.failed }

// Read implements io.Reader.
func (c *Copy) Read(p []byte) (int, error) {
	for len(c.rest) == 0 {
		if c.failed == nil && c.next > len(c.slab.Frames) {
			return 0, io.EOF
		}
		if c.failed == nil {
			c.failed = c.advance()
		}
		if c.failed != nil {
			return 0, c.failed
		}
		c.next++
	}
	n := copy(p, c.rest)
	c.rest = c.rest[n:]
	return n, nil
}

// advance reads the next piece.
func (c *Copy) advance() error {
	if c.ctx.Err() != nil {
		return context.Cause(c.ctx)
	}
	frame, err := c.readNext()
	var base *SlabError // of what the frame stands on, which its own parity does not heal
	if err = AsDamage(err); MayHeal(err) && !errors.As(err, &base) && c.slab.HasParity() {
		cause := &SlabError{c.slab.ID, frame, err}
		if whole, failed := c.s.heal(c.ctx, c.slab.ID, cause); failed == nil && int64(len(whole)) == c.slab.Length {
			c.whole = whole
			_, err = c.readNext()
		}
	}
	if err != nil {
		return &SlabError{c.slab.ID, frame, AsDamage(err)}
	}
	return nil
}

// readNext reads the next piece, and tells which frame it is; -1: none.
func (c *Copy) readNext() (frame int, err error) {
	switch {
	case c.next < 0:
		return -1, c.header()
	case c.next < len(c.slab.Frames):
		return c.next, c.frame(c.next)
	}
	return -1, c.tail()
}

// read fills the piece with so many bytes from a place on.
func (c *Copy) read(off, n int64) error {
	c.piece = slices.Grow(c.piece[:0], int(n))[:n]
	c.rest = nil
	if c.whole != nil {
		copy(c.piece, c.whole[off:off+n])
		return nil
	}
	if c.readFront(off, n) {
		copy(c.piece, c.front.bytes[off-c.front.off:])
		return nil
	}
	return c.s.storage.ReadAt(c.ctx, names.Slab(c.slab.ID), c.piece, off)
}

// frontBytes is how much of a slab is read with one call, where reads wait for something far away.
const frontBytes = 4 << 20

// front is what was read so: bytes from an offset on.
type front struct {
	off    int64
	bytes  []byte
	failed bool
}

func (f *front) has(off, n int64) bool {
	return off >= f.off && off-f.off+n <= int64(len(f.bytes))
}

// readFront tells whether what is asked for is there, or is by now, with what comes behind it. Once that can't be read, each piece is by itself.
func (c *Copy) readFront(off, n int64) bool {
	f := &c.front
	if f.has(off, n) {
		return true
	}
	most := min(frontBytes, c.slab.Length-off)
	if c.s.reads == 0 || n > most || f.failed {
		return false
	}
	f.off, f.bytes = off, slices.Grow(f.bytes[:0], int(most))[:most]
	if c.s.storage.ReadAt(c.ctx, names.Slab(c.slab.ID), f.bytes, off) != nil {
		f.bytes, f.failed = nil, true // a read that failed may go on in that memory
	}
	return !f.failed
}

func (c *Copy) header() error {
	if err := c.read(0, c.slab.start); err != nil {
		return err
	}
	h, n, err := format.ParseHeader(c.piece, format.Slab)
	if err == nil {
		_, err = h.Open(c.s.keys, c.s.object(c.slab.ID))
	}
	if err == nil && int64(n) != c.slab.start {
		err = fmt.Errorf("%w: a header of %d bytes", format.ErrDamaged, n)
	}
	c.rest = c.piece
	return err
}

func (c *Copy) frame(i int) error {
	f := &c.slab.Frames[i]
	if err := c.read(c.slab.offsets[i], int64(f.Sealed)); err != nil {
		return err
	}
	c.open = append(c.open[:0], c.piece...)
	packed, err := c.slab.opener.Open(c.open[:0], c.open, crypt.Piece{Kind: crypt.PieceFrame, Number: uint64(i)})
	if err != nil {
		return unopened{errors.Join(format.ErrDamaged, err)}
	}
	done, err := c.s.take(c.ctx, c.slab, i, purpose{})
	if err != nil {
		return err
	}
	c.raw, err = c.s.unpack(c.ctx, c.slab, i, packed, slices.Grow(c.raw[:0], f.Raw()+slack), purpose{}, func() {})
	done()
	if err != nil {
		return err
	}
	listed := f.Listed()
	for _, id := range identities(c.hash, c.raw, f.Chunks) {
		listed.IDs = append(listed.IDs, id[:]...)
	}
	c.record.Frames = append(c.record.Frames, listed)
	c.rest = c.piece
	return nil
}

// tail reads what stands behind the frames, and holds it against its seals once more: it is read again.
func (c *Copy) tail() error {
	if err := c.read(c.slab.end, c.slab.Length-c.slab.end); err != nil {
		return err
	}
	at := len(c.piece) - format.TrailerSize
	if err := format.MendTrailer(c.piece[at:], c.slab.opener); err != nil {
		return err
	}
	sections, err := format.FindSections(c.piece[:at], at)
	if err != nil {
		return err
	}
	if err := c.s.checkParity(c.slab, c.piece[sections.Parity.Off:][:sections.Parity.Length]); err != nil {
		return err
	}
	if _, err := c.slab.opener.Open(nil, sections.Table, crypt.Piece{Kind: crypt.PieceSection, Number: uint64(format.TableSection)}); err != nil {
		return fmt.Errorf("%w: its table: %w", format.ErrDamaged, err)
	}
	c.rest = c.piece
	return nil
}
