package chunk

import (
	"errors"
	"io"
	"iter"
)

// ErrClosed is returned by [Writer.Write] after Close.
var ErrClosed = errors.New("write to a closed chunk writer")

// A Writer cuts the bytes written to it, and hands each chunk to a function as
// soon as its end is certain: up to 256 KiB and one chunk later than it was
// written. It cuts where a [Cutter] does, however the bytes are divided among
// the writes. It is not safe for concurrent use.
type Writer struct {
	// The Cutter pulls from a reader, and the Writer is pushed: the Cutter runs
	// as a coroutine that stands still inside Read while it wants bytes. It
	// runs only while Write or Close does, so there is no order to get wrong.
	want func() (struct{}, bool) // resume until it wants bytes (true) or has ended (false)
	stop func()

	input  []byte // what the current Write has left
	closed bool
	err    error // the first failure; it stays
}

// NewWriter returns a [Writer] that calls emit for each chunk, in order, within
// Write and Close. The chunk is valid only during the call. An error of emit
// ends the writing. Close must be called, or a goroutine stays behind.
func NewWriter(p Params, emit func(chunk []byte) error) (*Writer, error) {
	c, err := NewCutter(p)
	if err != nil {
		return nil, err
	}
	w := new(Writer)
	w.want, w.stop = iter.Pull(func(yield func(struct{}) bool) {
		c.Reset(&pushed{w: w, yield: yield})
		w.err = cutAll(c, emit)
	})
	w.want() // up to its first wish for bytes
	return w, nil
}

func cutAll(c *Cutter, emit func([]byte) error) error {
	var buf []byte // grows to Max() at most, and not for a small content
	for {
		chunk, err := c.Next(buf)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		if err := emit(chunk); err != nil {
			return err
		}
		buf = chunk[:0]
	}
}

// Write takes all of p, or returns the error of emit unchanged, as every later
// call does too. It keeps nothing of p.
func (w *Writer) Write(p []byte) (int, error) {
	if w.err != nil {
		return 0, w.err
	}
	if w.closed {
		return 0, ErrClosed
	}
	if len(p) == 0 {
		return 0, nil
	}
	w.input = p
	_, wants := w.want()
	n := len(p) - len(w.input)
	w.input = nil
	if !wants {
		return n, w.err
	}
	return n, nil
}

// Close emits what is left as the last chunk and releases the [Writer]. It
// returns the error of emit, also where a Write already did, and nothing is
// emitted after such an error. Closing again changes nothing.
func (w *Writer) Close() error {
	if !w.closed {
		w.closed = true
		defer w.stop() // also when emit panics
		w.want()
	}
	return w.err
}

// pushed is the reader inside the coroutine.
type pushed struct {
	w     *Writer
	yield func(struct{}) bool
}

func (r *pushed) Read(p []byte) (int, error) {
	for len(r.w.input) == 0 {
		if r.w.closed || !r.yield(struct{}{}) {
			return 0, io.EOF
		}
	}
	n := copy(p, r.w.input)
	r.w.input = r.w.input[n:]
	return n, nil
}
