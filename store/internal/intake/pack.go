package intake

import (
	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/store/internal/delta"
)

// packer compresses frames, and says them by what they stand on. It is for one goroutine.
type packer struct {
	*compressor
	deltas delta.Encoder

	copies, literals []byte // used again
	plain            []byte
}

func newPacker(level zstd.EncoderLevel, maxChunk int) (*packer, error) {
	c, err := newCompressor(level, maxChunk)
	return &packer{compressor: c}, err
}

// pack fills in packed, and copies where the frame is a delta.
func (p *packer) pack(f *frame) {
	if f.depth == 0 || !p.packDelta(f) {
		f.packed = p.encoder(f).EncodeAll(f.raw, room(f.packed, len(f.raw), pieceOf(f.target)))
	}
}

// packDelta tells whether a frame is worth to be a delta: that it saves a tenth. Where most of it is copies, that is
// not measured.
func (p *packer) packDelta(f *frame) bool {
	p.copies, p.literals = p.deltas.Encode(p.copies[:0], p.literals[:0], f.base, f.raw)
	if len(p.copies) == 0 || len(p.copies)+len(p.literals) > len(f.raw)*9/10 {
		return false
	}
	f.packed = p.usual.EncodeAll(p.copies, room(f.packed, len(f.raw), pieceOf(f.target)))
	f.copies = len(f.packed)
	if len(p.literals) > 0 {
		f.packed = p.literalEncoder(f).EncodeAll(p.literals, f.packed)
	}
	if len(p.literals) < len(f.raw)/2 {
		return true
	}
	p.plain = p.encoder(f).EncodeAll(f.raw, room(p.plain, len(f.raw), pieceOf(f.target)))
	if len(f.packed) <= len(p.plain)*9/10 {
		return true
	}
	f.copies = 0
	return false
}

// literalEncoder chooses the encoder for literals: looking harder costs little where they are few.
func (p *packer) literalEncoder(f *frame) *zstd.Encoder {
	if len(p.literals) < samples*sampleLength {
		return p.usual
	}
	return p.encoder(&frame{lane: f.lane, number: f.number, raw: p.literals, lengths: f.lengths})
}
