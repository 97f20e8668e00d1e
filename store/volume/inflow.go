package volume

import (
	"archive/tar"
	"context"
	"errors"
)

// maxBuffers is how many buffers of bufferSize the contents of large files pass through.
const maxBuffers = 8

// inflow is the content of a large file, on its way to the worker that writes it.
type inflow struct {
	size    int64
	sparse  bool
	full    chan piece    // in order; closed after the last
	free    chan<- []byte // takes them back; has room for all
	err     error         // why the content ended early; set before full is closed
	dropped chan struct{} // closed when the rest is not wanted
}

// handLarge has a large file, or a sparse one, written by a worker while its content is read.
func (e *extractor) handLarge(ctx context.Context, h *tar.Header, p place, content *memberReader) error {
	if e.buffers == nil {
		e.buffers = make(chan []byte, maxBuffers)
		for range maxBuffers {
			e.buffers <- nil // made when it is needed
		}
	}
	in := &inflow{size: h.Size, sparse: isSparse(h), full: make(chan piece, maxBuffers), free: e.buffers, dropped: make(chan struct{})}
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

// pour reads the content into buffers, and passes on its holes.
func (e *extractor) pour(ctx context.Context, in *inflow, content *memberReader) error {
	for left := in.size; left > 0; {
		if err := ctx.Err(); err != nil {
			return err
		}
		b := piece{hole: e.holeIn(content)}
		if b.hole == 0 {
			var err error
			if b.data, err = e.fill(content, in.size-left, left); err != nil {
				return unexpected(err)
			}
		} else {
			content.Skip(b.hole)
		}
		select {
		case in.full <- b:
		case <-in.dropped:
			e.takeBack(b)
			return errDropped
		}
		left -= b.length()
		e.report.Bytes += b.length()
	}
	return nil
}

// holeIn gives the length of the hole that comes next in a content, or 0 if it is not worth one.
func (e *extractor) holeIn(content *memberReader) int64 {
	if n := content.Hole(); n >= holeSize && !e.opts.WriteZeros {
		return n
	}
	return 0
}

// fill reads into a buffer what comes at off, up to a hole or a multiple of the buffers' size, so that
// zeros are found in whole blocks of the file.
func (e *extractor) fill(content *memberReader, off, left int64) ([]byte, error) {
	b := <-e.buffers // workers give back all that they get
	if b == nil {
		b = make([]byte, bufferSize)
	}
	most, n := int(min(bufferSize-off%bufferSize, left)), 0
	for n < most && (n == 0 || e.holeIn(content) == 0) {
		some, err := content.Read(b[n:most])
		if n += some; err != nil && n < most {
			e.buffers <- b
			return nil, err
		}
	}
	return b[:n], nil
}

func (b piece) length() int64 { return int64(len(b.data)) + b.hole }

// takeBack takes the buffer of a piece back.
func (e *extractor) takeBack(b piece) {
	if b.data != nil {
		e.buffers <- b.data[:cap(b.data)]
	}
}

// giveBack gives the buffer of a piece back.
func (in *inflow) giveBack(b piece) {
	if b.data != nil {
		in.free <- b.data[:cap(b.data)]
	}
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
		if b.hole > 0 {
			hole = true
			off += b.hole
			continue
		}
		var err error
		hole, err = writeBlocks(f, b.data, off, zeros)
		off += int64(len(b.data))
		in.giveBack(b)
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
		in.giveBack(b)
	}
}
