package tarstream

import (
	"bufio"
	"errors"
	"io"
)

// source counts what is taken from the input.
type source struct {
	in     *bufio.Reader
	offset int64
	accept bool
	cut    error // an accepted error that ended the input
}

func newSource(r io.Reader, accept bool) source {
	return source{in: bufio.NewReaderSize(&sticky{r: r}, maxTrailing+blockSize), accept: accept}
}

// sticky repeats the error of a reader without asking it again.
type sticky struct {
	r   io.Reader
	err error
}

func (s *sticky) Read(p []byte) (n int, err error) {
	if s.err != nil {
		return 0, s.err
	}
	n, s.err = s.r.Read(p)
	return n, s.err
}

// end turns an accepted error into io.EOF.
func (s *source) end(err error) error {
	if s.accept && errors.Is(err, ErrUnfinished) {
		s.cut = err
		return io.EOF
	}
	return err
}

func (s *source) Read(p []byte) (int, error) {
	n, err := s.in.Read(p)
	s.offset += int64(n)
	return n, s.end(err)
}

// peek returns the next n bytes, or those up to the end together with io.EOF.
// Read errors come with none at all.
func (s *source) peek(n int) ([]byte, error) {
	b, err := s.in.Peek(n)
	err = s.end(err)
	if err != nil && err != io.EOF {
		return nil, err
	}
	return b, err
}

// take returns up to n of the next bytes, at least one of them or an error.
func (s *source) take(n int) ([]byte, error) {
	b, err := s.peek(min(n, s.in.Size()))
	if len(b) > 0 {
		err = nil
	}
	s.in.Discard(len(b))
	s.offset += int64(len(b))
	return b, err
}
