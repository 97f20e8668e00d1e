package intake

import (
	"cmp"
	"crypto/rand"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/parity"
)

// maxSlabFrames is the most frames of a slab, so that its table is within the items of a
// record even where each chunk is a frame of its own.
const maxSlabFrames = 1 << 16

// maxSlabBases is the most bases of all its frames, likewise: each is four items.
const maxSlabBases = 1 << 16

// takes tells whether a frame has room in the slab: all of the slab has at most
// SlabTarget bytes, which is a PADMÉ length, or that one frame. One chunk is left for padding.
func (s *openSlab) takes(f *frame) bool {
	if len(s.frames) == 0 {
		return true
	}
	chunks := int(s.chunks) + len(f.lengths)
	bases := s.bases + len(f.bases)
	// 5 bytes a chunk, some 20 a frame, 24 a base with 12 of its frame, and the group.
	table := format.PaddedLength(5*chunks + 20*(len(s.frames)+2) + 36*bases + 64)
	most := cmp.Or(s.most, format.SlabTarget)
	section, _ := parity.Section(most, s.parity)
	length := s.length + len(f.packed) + crypt.Overhead + table + section + format.SlabEnd
	return length <= most && chunks < format.MaxSlabChunks && len(s.frames) < maxSlabFrames && bases < maxSlabBases
}

// pad appends a frame of random bytes that gives the slab a PADMÉ length. Nothing knows
// its chunk: readers of before it was known take it for one that nobody needs.
func (w *writer) pad(s *openSlab) error {
	f := s.padding(w.cfg.Apart.Group)
	n := int(f.Sealed) - crypt.Overhead
	chunk := make([]byte, f.Chunks[0])
	rand.Read(chunk) // never fails, as documented there
	if err := s.sendFrame(format.AppendRawFrame(make([]byte, 0, n), chunk, n)); err != nil {
		return err
	}
	id := w.cfg.Keys.NewHasher().Sum(chunk)
	s.frames = append(s.frames, format.TableFrame{Kind: f.Kind, Sealed: f.Sealed, Chunks: f.Chunks, IDs: id[:], Padding: true})
	s.chunks++
	return nil
}

// minPadding is the length in bytes of the shortest sealed frame of padding.
const minPadding = format.MinRawFrame + crypt.Overhead

// padding gives the frame of padding that the slab needs. There always is one: that there
// were none would show in the table's length.
func (s *openSlab) padding(group []byte) format.Frame {
	table := s.table(group)
	table.Frames = append(table.Frames, paddingFrame(minPadding))
	bare := s.length + table.SealedLength() + format.SlabEnd
	for s.target = format.PaddedLength(bare + minPadding); ; s.target = format.PaddedLength(s.target + 1) {
		// A longer slab has more parity, but its length grows faster.
		if section, ok := parity.Section(s.target, s.parity); ok && bare+minPadding+section <= s.target {
			return paddingFrame(s.target - section - bare)
		}
	}
}

// paddingFrame lists a frame of padding. One suffices: what the longest slab lacks, of
// some 40 MiB, is less than a chunk may have.
func paddingFrame(sealed int) format.Frame {
	return format.Frame{
		Kind: format.Zstd, Sealed: uint32(sealed), Padding: true,
		Chunks: []uint32{uint32(format.RawContents(sealed - crypt.Overhead))},
	}
}
