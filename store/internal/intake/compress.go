package intake

import (
	"github.com/klauspost/compress"
	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/store/internal/format"
)

// compressor compresses frames, one at a time. Its choices follow from a frame
// alone, so that the same input gives the same frames.
type compressor struct {
	usual *zstd.Encoder
	quick *zstd.Encoder // for what hardly gets shorter by looking harder
	plain *zstd.Encoder // for what hardly gets shorter anyway
	// long is the mean length of chunks, in bytes, from which on a frame is
	// compressed quickly; 0 means that no frame is, for its chunks alone.
	long int
}

// newCompressor takes level 0 for choosing one for each frame.
//
// A frame of long contents, such as tables and logs, gets 5 to 7 % shorter by
// SpeedDefault than by SpeedFastest, which takes two thirds of the time: with
// them, compressing is most of the work of a capture. Small files, such as
// sources and settings, gain as much and cost little, for they are a small part
// of a large volume; and lists are read whenever a capture is. They get another 3 %
// shorter by SpeedBetterCompression. Measured on the corpora in bench.
//
// Where nothing repeats, but some bytes are more frequent than others, as in
// hexadecimal, base64 and arrays of numbers, entropy coding of literals alone gives
// 50 to 95 %. The encoders of these levels leave it out by default.
func newCompressor(level zstd.EncoderLevel, maxChunk int) (*compressor, error) {
	c := new(compressor)
	if level == 0 {
		level = zstd.SpeedBetterCompression
		c.long = maxChunk / 4 // the average that the boundaries aim at
	}
	var err error
	if c.usual, err = newEncoder(level, true); err != nil {
		return nil, err
	}
	if c.quick, err = newEncoder(zstd.SpeedFastest, true); err != nil {
		return nil, err
	}
	c.plain, err = newEncoder(zstd.SpeedFastest, false)
	return c, err
}

// newEncoder takes no memory worth mentioning before the encoder's first frame.
func newEncoder(level zstd.EncoderLevel, literals bool) (*zstd.Encoder, error) {
	return zstd.NewWriter(nil,
		zstd.WithEncoderLevel(level),
		zstd.WithAllLitEntropyCompression(literals),
		zstd.WithEncoderConcurrency(1),
		zstd.WithEncoderCRC(false), // the seal shows every change
		zstd.WithWindowSize(format.FrameTarget),
		zstd.WithLowerEncoderMem(true), // the same bytes as without; frames are no longer than the window
	)
}

// thorough is how many frames of a session are compressed by what they hold. Behind them, contents are compressed quickly:
// that takes a fifth of the processor time less, for 0.8 % of bytes, and small volumes are as small as they are.
// Measured on the corpora in bench.
const thorough = 128

const (
	sampleLength = 4 << 10
	samples      = 4
	// hopeless is the estimate, from 0 to 1, below which the usual level gains
	// nothing: pictures and other compressed or encrypted contents come to less
	// than 0.05, text and records to more than 0.2.
	hopeless = 0.1
	// even is the entropy, of that of random bytes, from which on coding literals
	// gains nothing: samples of compressed contents come to about 0.99, of
	// floating-point numbers to 0.93, of base64 to 0.75 (measured). To find that
	// out by coding takes four times as long as leaving them as they are.
	even = 0.95
)

// encoder chooses the one for a frame.
func (c *compressor) encoder(f *frame) *zstd.Encoder {
	long := c.long > 0 && !f.lane.lists() && (len(f.raw) >= c.long*len(f.lengths) || f.number >= thorough)
	short := len(f.raw) < samples*sampleLength // costs little anyhow
	switch {
	case long && (short || entropy(f.raw) < even):
		return c.quick
	case !long && (short || estimate(f.raw) >= hopeless):
		return c.usual
	}
	return c.plain
}

// entropy gives the least of samples of raw, of that of random bytes. It looks at
// how frequent bytes are, not at what follows what.
func entropy(raw []byte) float64 {
	least := 1.0
	for i := range samples {
		least = min(least, float64(compress.ShannonEntropyBits(sample(raw, i)))/(8*sampleLength))
	}
	return least
}

// estimate gives the best that samples of raw promise.
func estimate(raw []byte) float64 {
	best := 0.0
	for i := range samples {
		best = max(best, compress.Estimate(sample(raw, i)))
	}
	return best
}

// sample gives one of the samples of raw, which lie evenly from its begin to its end.
func sample(raw []byte, i int) []byte {
	at := i * (len(raw) - sampleLength) / (samples - 1)
	return raw[at : at+sampleLength]
}

// runCompress compresses frames and, unless check is nil, reads them back.
func (in *Intake) runCompress(p *packer, check *rechecker) error {
	if check != nil {
		defer check.close()
	}
	for f := range in.compress {
		if len(f.raw) > 0 {
			if in.cfg.flip != nil {
				in.cfg.flip(f)
			}
			if in.cfg.Apart.Stored {
				f.packed = storeRaw(f.packed, f.raw)
			} else {
				p.pack(f)
			}
			if check != nil {
				if err := check.check(f); err != nil {
					return err
				}
			}
		}
		close(f.done)
	}
	return nil
}
