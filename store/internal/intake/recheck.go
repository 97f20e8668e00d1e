package intake

import (
	"errors"
	"fmt"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/delta"
	"github.com/kistarchive/kist/store/internal/format"
)

// ErrChanged is returned when a frame that was read back before it was sealed does
// not hold the chunks under whose identities it was to be listed. What is sealed
// is safe from then on, so this machine changed it: its memory, or its processor.
var ErrChanged = errors.New("what was to be stored has changed in this machine's memory; nothing was captured: test the memory, and capture again")

// rechecker reads frames back, one at a time. A bit that flips between hashing and
// compressing would be sealed as if it were the content, and later captures would
// rely on it.
type rechecker struct {
	decoder *zstd.Decoder
	hasher  *crypt.Hasher
	raw     []byte // used again
	parts   [2][]byte
}

func newRechecker(keys *crypt.Keys) (*rechecker, error) {
	decoder, err := zstd.NewReader(nil,
		zstd.WithDecoderConcurrency(1),
		zstd.WithDecoderMaxMemory(format.MaxFrameRaw),
		zstd.WithDecoderMaxWindow(format.MaxFrameRaw),
	)
	if err != nil {
		return nil, err
	}
	return &rechecker{decoder: decoder, hasher: keys.NewHasher()}, nil
}

// check fails with ErrChanged if a packed frame is not what its identities say.
func (c *rechecker) check(f *frame) error {
	var err error
	if f.copies > 0 {
		c.raw, err = c.apply(f)
	} else {
		c.raw, err = c.decode(f.packed, c.raw, f)
	}
	if err != nil {
		return fmt.Errorf("%w (a frame can't be decompressed: %v)", ErrChanged, err)
	}
	return c.compare(c.raw, f.lengths, f.ids)
}

// decode decompresses what is in a frame, or a part of it. The decoder wants some bytes more than it gives, or takes new memory.
func (c *rechecker) decode(packed, buf []byte, f *frame) ([]byte, error) {
	return c.decoder.DecodeAll(packed, room(buf, pieceOf(len(f.raw)), pieceOf(f.target)))
}

// apply makes what a delta says, by bases that are still what was stored.
func (c *rechecker) apply(f *frame) (_ []byte, err error) {
	if err := c.compare(f.base, f.baseLengths, f.baseIDs); err != nil {
		return c.raw, err
	}
	if c.parts[0], err = c.decode(f.packed[:f.copies], c.parts[0], f); err != nil {
		return c.raw, err
	}
	c.parts[1] = c.parts[1][:0]
	if literals := f.packed[f.copies:]; len(literals) > 0 {
		if c.parts[1], err = c.decode(literals, c.parts[1], f); err != nil {
			return c.raw, err
		}
	}
	return delta.Apply(room(c.raw, len(f.raw), pieceOf(f.target)), c.parts[0], c.parts[1], len(f.raw), f.base)
}

// compare holds chunks against their identities.
func (c *rechecker) compare(b []byte, lengths []uint32, ids []byte) error {
	for i, n := range lengths {
		if int(n) > len(b) || c.hasher.Sum(b[:n]) != crypt.Identity(ids[i*len(crypt.Identity{}):]) {
			return fmt.Errorf("%w (chunk %d of a frame of %d has another identity)", ErrChanged, i, len(lengths))
		}
		b = b[n:]
	}
	if len(b) > 0 {
		return fmt.Errorf("%w (a frame has %d bytes too many)", ErrChanged, len(b))
	}
	return nil
}

// close frees the decoder.
func (c *rechecker) close() { c.decoder.Close() }
