package intake

import (
	"errors"
	"fmt"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
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
	// The decoder wants some bytes more than it gives, or takes new memory.
	if c.raw, err = c.decoder.DecodeAll(f.packed, room(c.raw, len(f.raw)+pieceLength-format.FrameTarget, pieceLength)); err != nil {
		return fmt.Errorf("%w (a frame can't be decompressed: %v)", ErrChanged, err)
	}
	rest := c.raw
	for i, n := range f.lengths {
		if int(n) > len(rest) || c.hasher.Sum(rest[:n]) != crypt.Identity(f.ids[i*len(crypt.Identity{}):]) {
			return fmt.Errorf("%w (chunk %d of a frame of %d has another identity)", ErrChanged, i, len(f.lengths))
		}
		rest = rest[n:]
	}
	if len(rest) > 0 {
		return fmt.Errorf("%w (a frame has %d bytes too many)", ErrChanged, len(rest))
	}
	return nil
}

// close frees the decoder.
func (c *rechecker) close() { c.decoder.Close() }
