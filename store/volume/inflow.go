package volume

import (
	"archive/tar"
	"context"
	"errors"
	"io"
)

// maxBuffers is how many buffers of bufferSize the contents of large files pass through.
const maxBuffers = 8

// inflow is the content of a large file, on its way to the worker that writes it.
type inflow struct {
	size    int64
	sparse  bool
	full    chan []byte   // in order; closed after the last
	free    chan<- []byte // takes them back; has room for all
	err     error         // why the content ended early; set before full is closed
	dropped chan struct{} // closed when the rest is not wanted
}

// handLarge has a large file, or a sparse one, written by a worker while its content is read.
func (e *extractor) handLarge(ctx context.Context, h *tar.Header, p place, content io.Reader) error {
	if e.buffers == nil {
		e.buffers = make(chan []byte, maxBuffers)
		for range maxBuffers {
			e.buffers <- nil // made when it is needed
		}
	}
	in := &inflow{size: h.Size, sparse: isSparse(h), full: make(chan []byte, maxBuffers), free: e.buffers, dropped: make(chan struct{})}
	s := e.newFile(h, p)
	s.large = in
	if err := e.queue(s); err != nil {
		return err
	}
	in.err = e.pour(ctx, in, content)
	close(in.full)
	return in.err // which the worker fails with as well, unless it failed before
}

// errDropped is returned by pour when the worker, which says why, wants no more.
var errDropped = errors.New("the file could not be written")

// pour reads the content into buffers.
func (e *extractor) pour(ctx context.Context, in *inflow, content io.Reader) error {
	for left := in.size; left > 0; {
		b := <-e.buffers // workers give back all that they get
		if b == nil {
			b = make([]byte, bufferSize)
		}
		n, err := io.ReadFull(content, b[:min(int64(len(b)), left)])
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			e.buffers <- b
			return unexpected(err)
		}
		select {
		case in.full <- b[:n]:
		case <-in.dropped:
			e.buffers <- b
			return errDropped
		}
		left -= int64(n)
		e.report.Bytes += int64(n)
	}
	return nil
}

// writeTo writes the content to a new file.
func (in *inflow) writeTo(f *file, zeros bool) error {
	if in.sparse { // fails at once where no file may be so long
		if err := f.truncate(in.size); err != nil {
			return err
		}
	}
	hole, off := false, int64(0)
	for b := range in.full {
		var err error
		hole, err = writeBlocks(f, b, off, zeros)
		off += int64(len(b))
		in.free <- b[:cap(b)]
		if err != nil {
			return err
		}
	}
	if in.err == nil && hole {
		return f.truncate(in.size)
	}
	return in.err
}

// drain takes the rest of a content that is not wanted.
func (in *inflow) drain() {
	if in == nil {
		return
	}
	close(in.dropped)
	for b := range in.full {
		in.free <- b[:cap(b)]
	}
}
