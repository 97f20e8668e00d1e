package take

import (
	"context"
	"crypto/sha256"
	"hash"
	"io"
	"sync/atomic"
)

const (
	aheadBlock  = 256 << 10
	aheadBlocks = 8
)

// readAhead reads a stream in the background and hashes it beside whoever
// reads it, for SHA-256 is as long at work as everything else on one core.
type readAhead struct {
	ctx    context.Context
	cancel context.CancelFunc
	blocks chan *block
	hashed chan struct{} // closed when sum has everything that was read
	free   chan *block
	sum    hash.Hash
	length int64

	now  *block
	rest []byte
	err  error
}

type block struct {
	buf   []byte
	err   error        // that ended the stream after buf
	users atomic.Int32 // who still need buf
}

func newReadAhead(ctx context.Context, src io.Reader) *readAhead {
	ctx, cancel := context.WithCancel(ctx)
	r := &readAhead{
		ctx: ctx, cancel: cancel,
		blocks: make(chan *block, aheadBlocks),
		hashed: make(chan struct{}),
		free:   make(chan *block, aheadBlocks),
		sum:    sha256.New(),
	}
	for range aheadBlocks {
		r.free <- new(block) // a short stream needs one
	}
	toHash := make(chan *block, aheadBlocks)
	go r.fill(src, toHash)
	go r.hash(toHash)
	return r
}

func (r *readAhead) fill(src io.Reader, toHash chan<- *block) {
	defer close(r.blocks)
	defer close(toHash)
	for {
		select {
		case b := <-r.free:
			if b.buf == nil {
				b.buf = make([]byte, aheadBlock)
			}
			n, err := io.ReadFull(src, b.buf[:aheadBlock])
			if err == io.ErrUnexpectedEOF {
				err = io.EOF
			}
			b.buf, b.err = b.buf[:n], err
			b.users.Store(2)
			r.blocks <- b // neither blocks: both have room for all blocks
			toHash <- b
			if err != nil {
				return
			}
		case <-r.ctx.Done():
			return
		}
	}
}

func (r *readAhead) hash(in <-chan *block) {
	defer close(r.hashed)
	for b := range in {
		r.sum.Write(b.buf)
		r.length += int64(len(b.buf))
		r.release(b)
	}
}

func (r *readAhead) release(b *block) {
	if b.users.Add(-1) == 0 {
		r.free <- b
	}
}

// Read gives the stream.
func (r *readAhead) Read(p []byte) (int, error) {
	for len(r.rest) == 0 {
		if r.err != nil {
			return 0, r.err
		}
		r.advance()
	}
	n := copy(p, r.rest)
	r.rest = r.rest[n:]
	return n, nil
}

func (r *readAhead) advance() {
	if r.now != nil {
		r.release(r.now)
		r.now = nil
	}
	select {
	case b, ok := <-r.blocks:
		if !ok {
			r.err = context.Cause(r.ctx)
			return
		}
		r.now, r.rest, r.err = b, b.buf, b.err
	case <-r.ctx.Done():
		r.err = context.Cause(r.ctx)
	}
}

// Sum gives the SHA-256 and the length of the stream, once Read has ended with
// io.EOF.
func (r *readAhead) Sum() ([]byte, int64) {
	<-r.hashed
	return r.sum.Sum(nil), r.length
}

// Close ends the reading. A read of the source that hangs is left behind.
func (r *readAhead) Close() { r.cancel() }
