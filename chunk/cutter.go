package chunk

import (
	"errors"
	"io"

	"github.com/restic/chunker"
)

// A Cutter cuts contents into chunks, one content after another. Its memory,
// about 512 KiB, is kept from one to the next. It is not safe for concurrent
// use.
type Cutter struct {
	params Params
	source source
	head   []byte // room for Min()+1 bytes
	state  state
	lib    *chunker.Chunker // nil until a content is longer than Min()
}

type state uint8

const (
	done  state = iota // nothing left: io.EOF
	fresh              // nothing read yet
	cutting
)

// NewCutter returns a Cutter that has nothing to cut before its first Reset.
func NewCutter(p Params) (*Cutter, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	return &Cutter{params: p, head: make([]byte, p.Min()+1)}, nil
}

// Reset turns to the content that r holds, up to io.EOF. What is left of the
// content before is abandoned.
func (c *Cutter) Reset(r io.Reader) {
	c.source = source{r: r}
	c.state = fresh
}

// Next returns the next chunk of the content, and io.EOF after the last one.
// It stores the chunk in buf[:0] if the capacity of buf is at least Max(), so
// that nothing is allocated, and may allocate otherwise. An error of the
// reader is returned as it is, now and by every further call until Reset.
func (c *Cutter) Next(buf []byte) ([]byte, error) {
	switch c.state {
	case done:
		return nil, c.source.end()
	case fresh:
		if chunk, err := c.begin(buf); chunk != nil || err != nil {
			return chunk, err
		}
	}
	chunk, err := c.lib.Next(buf)
	if err != nil {
		c.state = done
		if c.source.err == nil {
			return nil, err // the library's own: none is known for valid Params
		}
		return nil, c.source.end()
	}
	return chunk.Data, nil
}

// begin reads as much as decides whether the content is a single chunk for its
// length alone, and returns that one without computing any fingerprint. It
// returns neither chunk nor error when the content must be cut.
func (c *Cutter) begin(buf []byte) ([]byte, error) {
	n, err := io.ReadFull(&c.source, c.head)
	if err == nil {
		c.source.head = c.head
		c.cut()
		c.state = cutting
		return nil, nil
	}
	c.state = done
	if c.source.err != io.EOF || n == 0 {
		return nil, c.source.end()
	}
	return append(buf[:0], c.head[:n]...), nil
}

func (c *Cutter) cut() {
	pol, lo, hi := chunker.Pol(c.params.Polynomial), uint(c.params.Min()), uint(c.params.Max())
	if c.lib == nil {
		c.lib = chunker.NewWithBoundaries(&c.source, pol, lo, hi)
	} else {
		c.lib.ResetWithBoundaries(&c.source, pol, lo, hi)
	}
	c.lib.SetAverageBits(c.params.bits()) // after each reset: it is among what that resets
}

// errStopped stands in for every reader's error but io.EOF while the library
// runs: the library takes an io.ErrUnexpectedEOF for the end of a full read
// and would ask again forever.
var errStopped = errors.New("reader failed")

// maxEmptyReads is how many reads without bytes or error are borne, as in
// package bufio.
const maxEmptyReads = 100

// source reads head, then r, and keeps the error that ended r.
type source struct {
	head []byte
	r    io.Reader
	err  error
}

func (s *source) Read(p []byte) (int, error) {
	if len(s.head) > 0 {
		n := copy(p, s.head)
		s.head = s.head[n:]
		return n, nil
	}
	for range maxEmptyReads {
		if s.err != nil {
			break
		}
		var n int
		n, s.err = s.r.Read(p)
		if n > 0 || len(p) == 0 {
			return n, nil // the error comes with the next call
		}
	}
	switch s.err {
	case nil:
		s.err = io.ErrNoProgress
	case io.EOF:
		return 0, io.EOF
	}
	return 0, errStopped
}

// end is the error to report once the content has ended.
func (s *source) end() error {
	if s.err == nil {
		return io.EOF
	}
	return s.err
}
