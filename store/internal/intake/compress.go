package intake

import (
	"github.com/klauspost/compress"
	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/store/internal/format"
)

// compressor compresses frames, one at a time.
type compressor struct {
	usual *zstd.Encoder
	quick *zstd.Encoder // for what hardly gets shorter anyway
}

func newCompressor(level zstd.EncoderLevel) (*compressor, error) {
	usual, err := newEncoder(level)
	if err != nil {
		return nil, err
	}
	quick, err := newEncoder(zstd.SpeedFastest)
	return &compressor{usual, quick}, err
}

func newEncoder(level zstd.EncoderLevel) (*zstd.Encoder, error) {
	return zstd.NewWriter(nil,
		zstd.WithEncoderLevel(level),
		zstd.WithEncoderConcurrency(1),
		zstd.WithEncoderCRC(false), // the seal shows every change
		zstd.WithWindowSize(format.FrameTarget),
	)
}

const (
	sampleLength = 4 << 10
	samples      = 4
	// hopeless is the estimate, from 0 to 1, below which the usual level gains
	// nothing: pictures and other compressed or encrypted contents come to less
	// than 0.05, text and records to more than 0.2.
	hopeless = 0.1
)

func (c *compressor) compress(raw, dst []byte) []byte {
	if estimate(raw) < hopeless {
		return c.quick.EncodeAll(raw, dst)
	}
	return c.usual.EncodeAll(raw, dst)
}

// estimate gives the best that samples of raw promise.
func estimate(raw []byte) float64 {
	if len(raw) < samples*sampleLength {
		return 1
	}
	best := 0.0
	for i := range samples {
		at := i * (len(raw) - sampleLength) / (samples - 1)
		best = max(best, compress.Estimate(raw[at:at+sampleLength]))
	}
	return best
}

func (in *Intake) runCompress(c *compressor) error {
	for f := range in.compress {
		if len(f.raw) > 0 {
			f.packed = c.compress(f.raw, f.packed)
		}
		close(f.done)
	}
	return nil
}
