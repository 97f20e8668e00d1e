package intake

import (
	"crypto/rand"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// maxSlabFrames is the most frames of a slab, so that its table is within the items of a
// record even where each chunk is a frame of its own.
const maxSlabFrames = 1 << 16

// takes tells whether a frame has room in the slab: all of the slab has at most
// SlabTarget bytes, which is a PADMÉ length, or that one frame. One chunk is left for padding.
func (s *openSlab) takes(f *frame) bool {
	if len(s.frames) == 0 {
		return true
	}
	chunks := int(s.chunks) + len(f.lengths)
	// 5 bytes a chunk, some 20 a frame, and the group.
	table := format.PaddedLength(5*chunks + 20*(len(s.frames)+2) + 64)
	length := s.length + len(f.packed) + crypt.Overhead + table + format.SlabEnd
	return length <= format.SlabTarget && chunks < format.MaxSlabChunks && len(s.frames) < maxSlabFrames
}

// pad appends a frame of random bytes that gives the slab a PADMÉ length. Nothing knows
// its chunk: readers of before it was known take it for one that nobody needs.
func (w *writer) pad(s *openSlab) error {
	n := s.padding(w.cfg.Apart.Group)
	if n == 0 {
		return nil
	}
	chunk := make([]byte, format.RawContents(n-crypt.Overhead))
	rand.Read(chunk) // never fails, as documented there
	packed := format.AppendRawFrame(make([]byte, 0, n), chunk, n-crypt.Overhead)
	if err := s.sendFrame(packed); err != nil {
		return err
	}
	f := paddingFrame(n)
	id := w.cfg.Keys.NewHasher().Sum(chunk)
	s.frames = append(s.frames, format.TableFrame{Kind: f.Kind, Sealed: f.Sealed, Chunks: f.Chunks, IDs: id[:], Padding: true})
	s.chunks++
	return nil
}

// padding gives the sealed length of the frame of padding that the slab needs, or 0.
func (s *openSlab) padding(group []byte) int {
	table := s.table(group)
	before := s.length + format.SlabEnd
	bare := before + table.SealedLength()
	if format.PaddedLength(bare) == bare {
		return 0
	}
	for want := format.PaddedLength(bare + minPadding); ; want = format.PaddedLength(want + 1) {
		if n := fitPadding(table, want-before); n > 0 {
			return n
		}
	}
}

const minPadding = format.MinRawFrame + crypt.Overhead

// fitPadding gives the sealed length of a frame of padding that takes, with the table that
// lists it, so many bytes; or 0 where none does.
func fitPadding(table *format.SlabTable, bytes int) int {
	n := bytes - table.SealedLength()
	for range 4 {
		if n < minPadding {
			return 0
		}
		with := *table
		with.Frames = append(slices.Clip(table.Frames), paddingFrame(n))
		listed := with.SealedLength()
		if n+listed == bytes {
			return n
		}
		n = bytes - listed
	}
	return 0
}

// paddingFrame lists a frame of padding. One suffices: what the longest slab lacks, of
// some 40 MiB, is less than a chunk may have.
func paddingFrame(sealed int) format.Frame {
	return format.Frame{
		Kind: format.Zstd, Sealed: uint32(sealed), Padding: true,
		Chunks: []uint32{uint32(format.RawContents(sealed - crypt.Overhead))},
	}
}
