package intake

import (
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// TestSlabTakes: a slab takes a frame as long as all of it has at most SlabTarget bytes, there is a chunk left for
// padding, and its table is within the items of a record; and the first one whatever it is.
func TestSlabTakes(t *testing.T) {
	frames := func(n int) []format.TableFrame { return make([]format.TableFrame, n) }
	small := &frame{lengths: []uint32{10}, packed: make([]byte, 10)}
	end := crypt.Overhead + format.PaddedLength(5*2+20*3+64) + format.SlabEnd // of a slab of one frame that takes another
	for name, c := range map[string]struct {
		slab openSlab
		f    *frame
		want bool
	}{
		"an empty one":               {openSlab{}, &frame{lengths: make([]uint32, 5), packed: make([]byte, format.SlabTarget)}, true},
		"just within its length":     {openSlab{frames: frames(1), chunks: 1, length: format.SlabTarget - end - 10}, small, true},
		"just beyond its length":     {openSlab{frames: frames(1), chunks: 1, length: format.SlabTarget - end - 9}, small, false},
		"one chunk left for padding": {openSlab{frames: frames(200), chunks: format.MaxSlabChunks - 2}, small, true},
		"none left for padding":      {openSlab{frames: frames(200), chunks: format.MaxSlabChunks - 1}, small, false},
		"one frame less than all":    {openSlab{frames: frames(maxSlabFrames - 1), chunks: maxSlabFrames - 1}, small, true},
		"all its frames":             {openSlab{frames: frames(maxSlabFrames), chunks: maxSlabFrames}, small, false},
	} {
		if got := c.slab.takes(c.f); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}

// TestFrameTakes: a frame takes a chunk as long as it holds no more than FrameTarget bytes and MaxFrameChunks
// chunks; and the first one whatever it is.
func TestFrameTakes(t *testing.T) {
	for name, c := range map[string]struct {
		f    frame
		n    int
		want bool
	}{
		"an empty one":  {frame{}, format.MaxChunk, true},
		"just full":     {frame{lengths: make([]uint32, 1), raw: make([]byte, format.FrameTarget-10)}, 10, true},
		"a byte more":   {frame{lengths: make([]uint32, 1), raw: make([]byte, format.FrameTarget-10)}, 11, false},
		"all chunks":    {frame{lengths: make([]uint32, format.MaxFrameChunks-1)}, 1, true},
		"another chunk": {frame{lengths: make([]uint32, format.MaxFrameChunks)}, 1, false},
	} {
		c.f.target = format.FrameTarget
		if got := c.f.takes(c.n); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
	}
}
