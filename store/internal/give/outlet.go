package give

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"io"
	"sync/atomic"

	"golang.org/x/sync/semaphore"

	"github.com/kistarchive/kist/store/internal/format"
)

const (
	outletBlock  = 256 << 10 // bytes in which small pieces of a stream are gathered
	outletBlocks = 8         // that wait to be written
	outletDirect = 32 << 10  // bytes from which a piece is passed on without a copy
	outletBytes  = 8 << 20   // that wait to be written or are, in pieces of any length; one longer piece waits alone
)

// outlet passes a stream on to a writer, in large pieces, and hashes it. The
// writer and the hash have a goroutine each, beside whoever rebuilds the stream.
type outlet struct {
	now    *outBlock // being filled
	free   chan *outBlock
	toW    chan *outBlock
	toHash chan *outBlock // nil: not hashed
	holes  bool           // zeros may be handed on as holes
	room   *semaphore.Weighted
	length uint64

	failed  chan struct{} // closed when err is set
	err     error         // of the writer
	written chan struct{} // closed when nobody writes any more
	sum     chan []byte
	ended   bool
}

// outBlock is a piece of the stream.
type outBlock struct {
	data  []byte
	hole  int64        // so many zeros, in place of data
	done  func()       // called when nobody needs data any more; nil: it is a block to be filled again
	users atomic.Int32 // who still need data
}

// room gives what a block counts in the outlet.
func (b *outBlock) room() int64 { return int64(min(len(b.data), outletBytes)) }

func newOutlet(w io.Writer, hashed bool) *outlet {
	o := &outlet{
		free: make(chan *outBlock, 2*outletBlocks+2), // all that there can be
		toW:  make(chan *outBlock, outletBlocks), failed: make(chan struct{}),
		written: make(chan struct{}), sum: make(chan []byte, 1), room: semaphore.NewWeighted(outletBytes),
	}
	if _, o.holes = w.(holeWriter); hashed {
		o.holes = false // their zeros are hashed
		o.toHash = make(chan *outBlock, outletBlocks)
		go o.hash()
	}
	go o.write(w)
	return o
}

func (o *outlet) write(w io.Writer) {
	defer close(o.written)
	for b := range o.toW {
		if o.err == nil {
			if o.err = writeBlock(w, b); o.err != nil {
				close(o.failed)
			}
		}
		o.release(b)
	}
}

func (o *outlet) hash() {
	sum := sha256.New()
	for b := range o.toHash {
		sum.Write(b.data)
		o.release(b)
	}
	o.sum <- sum.Sum(nil)
}

// release gives a block back once nobody needs it.
func (o *outlet) release(b *outBlock) {
	if b.users.Add(-1) > 0 {
		return
	}
	o.room.Release(b.room())
	if b.done != nil {
		b.done()
		return
	}
	select {
	case o.free <- b:
	default:
	}
}

// pass writes p. A large piece is not copied: it must stay until the function that
// hold gives is called. Without hold every piece is copied.
func (o *outlet) pass(p []byte, hold func() (release func())) error {
	o.length += uint64(len(p))
	if len(p) >= outletDirect && hold != nil {
		if err := o.flush(); err != nil {
			return err
		}
		return o.send(&outBlock{data: p, done: hold()})
	}
	for len(p) > 0 {
		if o.now == nil {
			o.now = o.take()
		}
		n := min(len(p), outletBlock-len(o.now.data))
		o.now.data, p = append(o.now.data, p[:n]...), p[n:]
		if len(o.now.data) == outletBlock {
			if err := o.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

// take gives an empty block.
func (o *outlet) take() *outBlock {
	select {
	case b := <-o.free:
		b.data = b.data[:0]
		return b
	default:
		return new(outBlock) // grows as there is something to gather
	}
}

// flush sends what is gathered.
func (o *outlet) flush() error {
	b := o.now
	if b == nil {
		return nil
	}
	o.now = nil
	return o.send(b)
}

func (o *outlet) send(b *outBlock) error {
	o.room.Acquire(context.Background(), b.room()) // all that wait are released, also by a writer that failed
	b.users.Store(1)
	if o.toHash != nil {
		b.users.Store(2)
		o.toHash <- b
	}
	select {
	case o.toW <- b:
		return nil
	case <-o.failed:
		o.release(b)
		return o.err
	}
}

// abandon ends the writing, and waits until it has ended.
func (o *outlet) abandon() {
	if !o.ended {
		o.ended = true
		close(o.toW)
		if o.toHash != nil {
			close(o.toHash)
		}
	}
	<-o.written
}

// finish waits until all is written, and compares it with the record.
func (o *outlet) finish(v *format.Volume) error {
	err := o.flush()
	o.abandon()
	if o.err != nil {
		return o.err
	}
	if err != nil {
		return err
	}
	if o.length != v.Length || o.toHash != nil && !bytes.Equal(<-o.sum, v.SHA256) {
		return fmt.Errorf("%w: the stream that was rebuilt is not the one that was captured", format.ErrDamaged)
	}
	return nil
}
