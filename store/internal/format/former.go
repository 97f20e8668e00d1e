package format

import (
	"encoding/binary"
	"iter"

	"github.com/kistarchive/kist/crypt"
)

// formerLength is the number of a chunk in its frame, and an identity.
const formerLength = 4 + len(crypt.Identity{})

// AppendFormer appends an identity under which a chunk of a frame, by its number
// there, was listed. Numbers come in ascending order, one several times perhaps.
func AppendFormer(dst []byte, chunk int, id crypt.Identity) []byte {
	return append(binary.LittleEndian.AppendUint32(dst, uint32(chunk)), id[:]...)
}

// FormerIDs gives the identities under which chunks were listed, each with the
// chunk's number in the frame.
func (f *TableFrame) FormerIDs() iter.Seq2[int, crypt.Identity] {
	return func(yield func(int, crypt.Identity) bool) {
		for b := f.Former; len(b) >= formerLength; b = b[formerLength:] {
			if !yield(int(binary.LittleEndian.Uint32(b)), crypt.Identity(b[4:formerLength])) {
				return
			}
		}
	}
}

func (f *TableFrame) checkFormer() error {
	if len(f.Former)%formerLength != 0 {
		return damaged("%d bytes of former identities", len(f.Former))
	}
	before := 0
	for chunk := range f.FormerIDs() {
		if chunk < before || chunk >= len(f.Chunks) {
			return damaged("a former identity of chunk %d of %d, behind one of chunk %d", chunk, len(f.Chunks), before)
		}
		before = chunk
	}
	return nil
}
