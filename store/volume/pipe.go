package volume

import (
	"errors"
	"io"
	"sync"
)

// Pipe gives a pipe in memory as io.Pipe does, which passes on holes as well: what is written by
// WriteHole is told to who asks for holes, as [Extract] does, and read as zeros by who does not. Each end
// is for one goroutine, but for closing, which any may do.
func Pipe() (*PipeReader, *PipeWriter) {
	p := &pipe{pieces: make(chan piece), taken: make(chan struct{}), done: make(chan struct{})}
	return &PipeReader{p: p}, &PipeWriter{p}
}

// piece is a part of a stream: bytes, or so many zeros.
type piece struct {
	data []byte
	hole int64
}

func (p *piece) empty() bool { return len(p.data) == 0 && p.hole == 0 }

type pipe struct {
	pieces chan piece
	taken  chan struct{} // a piece was read to its end

	closing sync.Once
	done    chan struct{} // closed when one end is; then these are set
	toRead  error
	toWrite error
}

func (p *pipe) close(toRead, toWrite error) {
	p.closing.Do(func() {
		p.toRead, p.toWrite = toRead, toWrite
		close(p.done)
	})
}

// PipeWriter is the end of a [Pipe] that is written to.
type PipeWriter struct{ p *pipe }

// Write returns when all of b was read, or the reader was closed.
func (w *PipeWriter) Write(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	if err := w.pass(piece{data: b}); err != nil {
		return 0, err
	}
	return len(b), nil
}

// WriteHole stands for the writing of n zeros.
func (w *PipeWriter) WriteHole(n int64) error {
	if n <= 0 {
		return nil
	}
	return w.pass(piece{hole: n})
}

func (w *PipeWriter) pass(b piece) error {
	select {
	case <-w.p.done:
		return w.p.toWrite
	default:
	}
	select {
	case w.p.pieces <- b:
	case <-w.p.done:
		return w.p.toWrite
	}
	select {
	case <-w.p.taken:
		return nil
	case <-w.p.done:
		return w.p.toWrite
	}
}

// CloseWithError has the reader get err behind what was written, or io.EOF where it is nil.
func (w *PipeWriter) CloseWithError(err error) {
	if err == nil {
		err = io.EOF
	}
	w.p.close(err, io.ErrClosedPipe)
}

// PipeReader is the end of a [Pipe] that is read from.
type PipeReader struct {
	p   *pipe
	now piece
}

// errNoReader is what a writer gets when the reader was closed without an error.
var errNoReader = errors.New("nobody reads the stream any more")

// CloseWithError has the writer get err, or another error where it is nil.
func (r *PipeReader) CloseWithError(err error) {
	if err == nil {
		err = errNoReader
	}
	r.p.close(io.ErrClosedPipe, err)
}

// Read reads what was written, zeros for holes.
func (r *PipeReader) Read(b []byte) (int, error) {
	if len(b) == 0 {
		return 0, nil
	}
	if !r.wait() {
		return 0, r.p.toRead
	}
	n := 0
	if r.now.hole > 0 {
		n = int(min(r.now.hole, int64(len(b))))
		clear(b[:n])
		r.now.hole -= int64(n)
	} else {
		n = copy(b, r.now.data)
		r.now.data = r.now.data[n:]
	}
	r.release()
	return n, nil
}

// Hole implements chunk.HoleReader. It waits for the writer.
func (r *PipeReader) Hole() int64 {
	r.wait()
	return r.now.hole
}

// Skip implements chunk.HoleReader.
func (r *PipeReader) Skip(n int64) {
	r.now.hole -= n
	r.release()
}

// wait waits until there is something to read; false says that there never will be.
func (r *PipeReader) wait() bool {
	if !r.now.empty() {
		return true
	}
	select {
	case r.now = <-r.p.pieces:
		return true
	case <-r.p.done:
		return false
	}
}

// release lets the writer go on when its piece was read to the end.
func (r *PipeReader) release() {
	if !r.now.empty() {
		return
	}
	select {
	case r.p.taken <- struct{}{}:
	case <-r.p.done:
	}
}
