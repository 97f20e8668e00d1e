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
	ends    bool          // the open slab ends then, and is put
}

// piece is one chunk of a batch, so often: of the given length in its buffer, or known,
// or all chunks of another stream.
type piece struct {
	stream *Stream
	length int
	times  uint64
	known  bool
	ref    known.Ref // where known
	from   *Stream
	begins bool // no chunk: a member begins here

	follows *Sequence // no chunk: what was there before is this, from here on
	stood   *stood    // no chunk: what comes from here on stood on this
	passes  bool      // no chunk: one passes by that the index knows, by id where it is not known
	id      crypt.Identity
}

// inBuffer gives the length of the piece in the batch's buffer.
func (p *piece) inBuffer() int {
	if p.known || p.passes || p.from != nil || p.follows != nil || p.stood != nil {
		return 0
	}
	return p.length
}

func (b *batch) reset() {
	b.buf, b.pieces, b.ids = b.buf[:0], b.pieces[:0], b.ids[:0]
	b.done, b.settled, b.ends = make(chan struct{}), nil, false
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
	target  int // how many bytes of chunks belong in it

	// What it stands on; of depth 0 nothing.
	depth       uint32
	bases       []placed
	baseFrames  int    // how many frames they are of
	base        []byte // the chunks of all, one after the other
	baseLengths []uint32
	baseIDs     []byte
	copies      int // length of the compressed copies, once packed is filled; 0: it stands alone after all

	done    chan struct{} // closed once packed is filled
	settled chan struct{} // as in batch; such a frame may be without chunks
	ends    bool          // likewise
}

func (f *frame) reset() {
	f.raw, f.packed, f.lengths, f.ids = f.raw[:0], f.packed[:0], f.lengths[:0], f.ids[:0]
	f.target, f.depth, f.baseFrames, f.copies = format.FrameTarget, 0, 0, 0
	f.bases, f.base, f.baseLengths, f.baseIDs = f.bases[:0], f.base[:0], f.baseLengths[:0], f.baseIDs[:0]
	f.done, f.settled, f.ends = make(chan struct{}), nil, false
}

// takes tells whether a chunk of n bytes belongs in the frame.
func (f *frame) takes(n int) bool {
	return len(f.lengths) == 0 || len(f.raw)+n <= f.target && len(f.lengths) < format.MaxFrameChunks
}

func (f *frame) add(chunk []byte, id crypt.Identity) {
	if n := len(f.raw) + len(chunk); n > cap(f.raw) {
		f.raw = append(room(nil, n, f.target), f.raw...)
	}
	f.raw = append(f.raw, chunk...)
	f.lengths = append(f.lengths, uint32(len(chunk)))
	f.ids = append(f.ids, id[:]...)
}

// little is what buffers have room for that a small capture uses, in bytes.
const little = 64 << 10

// room gives an empty buffer for n bytes: b, or a new one, for little or for most.
// What is made at once for the most is not made again as contents come.
func room(b []byte, n, most int) []byte {
	switch {
	case n <= cap(b):
		return b[:0]
	case n <= little:
		return make([]byte, 0, little)
	}
	return make([]byte, 0, max(n, most))
}
