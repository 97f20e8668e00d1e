package give

import (
	"bytes"
	"context"
	"io"

	"github.com/kistarchive/kist/store/internal/fetch"
)

// leastHole is the length, in bytes, from which zeros are handed on as a hole.
const leastHole = 64 << 10

// passBlock writes the chunks of a block.
func (o *outlet) passBlock(ctx context.Context, b fetch.Block) error {
	if b.Times == 1 {
		return o.pass(b.Data, b.Hold)
	}
	if n := uint64(len(b.Data)) * b.Times; o.holes && n >= leastHole && isZeros(b.Data) {
		o.length += n
		if err := o.flush(); err != nil {
			return err
		}
		return o.send(&outBlock{hole: int64(n), done: func() {}})
	}
	for range b.Times {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if err := o.pass(b.Data, nil); err != nil {
			return err
		}
	}
	return nil
}

// holeWriter is a writer that takes a stretch of zeros without its bytes.
type holeWriter interface {
	io.Writer

	// WriteHole stands for the writing of n zeros.
	WriteHole(n int64) error
}

// writeBlock writes what a block of an outlet stands for.
func writeBlock(w io.Writer, b *outBlock) error {
	if b.hole > 0 {
		return w.(holeWriter).WriteHole(b.hole)
	}
	return writeAll(w, b.data)
}

// writeAll writes p. A writer that takes less without a word fails with io.ErrShortWrite.
func writeAll(w io.Writer, p []byte) error {
	n, err := w.Write(p)
	if err == nil && n != len(p) {
		err = io.ErrShortWrite
	}
	return err
}

// writeChunks writes the chunks of a block.
func writeChunks(w io.Writer, b fetch.Block) error {
	n := uint64(len(b.Data)) * b.Times
	if h, ok := w.(holeWriter); ok && b.Times > 1 && n >= leastHole && isZeros(b.Data) {
		return h.WriteHole(int64(n))
	}
	for range b.Times {
		if err := writeAll(w, b.Data); err != nil {
			return err
		}
	}
	return nil
}

// isZeros tells whether all bytes of p, of which there is one, are zero.
func isZeros(p []byte) bool { return p[0] == 0 && bytes.Equal(p[1:], p[:len(p)-1]) }
