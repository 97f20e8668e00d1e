package intake

import "github.com/kistarchive/kist/store/internal/format"

// Apart says what keeps the contents of strangers apart.
type Apart struct {
	// Group, if set, goes into every slab: who takes in for another group does not
	// know its chunks. Then each member's contents are frames of their own, too, so
	// that no two are compressed together.
	Group []byte
	// Stored leaves frames uncompressed.
	Stored bool
}

// NewMember says that what is put from now on, into a stream of contents, is of another
// member.
func (in *Intake) NewMember(s *Stream) error {
	if in.cfg.Apart.Group == nil {
		return nil
	}
	if err := in.room(); err != nil {
		return err
	}
	in.current.pieces = append(in.current.pieces, piece{stream: s, begins: true})
	return nil
}

// endFrame sends the open frame of a lane on.
func (a *assembler) endFrame(lane Lane) error {
	f := a.open[lane]
	if f == nil {
		return nil
	}
	a.open[lane] = nil
	return a.emit(f)
}

// storeRaw puts raw into a frame as it is.
func storeRaw(packed, raw []byte) []byte {
	n := format.RawFrame(len(raw))
	return format.AppendRawFrame(room(packed, n, pieceLength), raw, n)
}
