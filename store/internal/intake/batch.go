package intake

import (
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

const (
	batchTarget = 256 << 10 // bytes of chunks that pass on together
	batchChunks = 8 << 10
)

// batch is a number of consecutive chunks on their way.
type batch struct {
	buf     []byte
	pieces  []piece
	ids     []crypt.Identity
	done    chan struct{} // closed once ids is filled
	settled chan struct{} // where set, closed once all chunks up to here have places
}

// piece is one chunk of a batch: of the given length in its buffer, or known, or
// all chunks of another stream.
type piece struct {
	stream *Stream
	length int
	known  bool
	ref    known.Ref // where known
	from   *Stream
}

// inBuffer gives the length of the piece in the batch's buffer.
func (p *piece) inBuffer() int {
	if p.known || p.from != nil {
		return 0
	}
	return p.length
}

func (b *batch) reset(maxChunk int) {
	if b.buf == nil {
		b.buf = make([]byte, 0, batchTarget+maxChunk)
	}
	b.buf, b.pieces, b.ids = b.buf[:0], b.pieces[:0], b.ids[:0]
	b.done, b.settled = make(chan struct{}), nil
}

func (b *batch) full() bool { return len(b.buf) >= batchTarget || len(b.pieces) >= batchChunks }

func (in *Intake) runIdentify() error {
	h := in.cfg.Keys.NewHasher()
	for b := range in.identify {
		rest := b.buf
		for i := range b.pieces {
			n := b.pieces[i].inBuffer()
			var id crypt.Identity
			if n > 0 {
				id = h.Sum(rest[:n])
			}
			b.ids = append(b.ids, id)
			rest = rest[n:]
		}
		close(b.done)
	}
	return nil
}

// frame is a number of new chunks on their way into a slab.
type frame struct {
	number  int
	lane    Lane
	raw     []byte
	packed  []byte // raw, compressed
	lengths []uint32
	ids     []byte
	done    chan struct{} // closed once packed is filled
	settled chan struct{} // as in batch; such a frame may be without chunks
}

func (f *frame) reset() {
	if f.raw == nil {
		f.raw = make([]byte, 0, format.FrameTarget)
		f.packed = make([]byte, 0, pieceLength)
	}
	f.raw, f.packed, f.lengths, f.ids = f.raw[:0], f.packed[:0], f.lengths[:0], f.ids[:0]
	f.done, f.settled = make(chan struct{}), nil
}

// takes tells whether a chunk of n bytes belongs in the frame.
func (f *frame) takes(n int) bool {
	return len(f.lengths) == 0 || len(f.raw)+n <= format.FrameTarget && len(f.lengths) < format.MaxFrameChunks
}

func (f *frame) add(chunk []byte, id crypt.Identity) {
	f.raw = append(f.raw, chunk...)
	f.lengths = append(f.lengths, uint32(len(chunk)))
	f.ids = append(f.ids, id[:]...)
}
