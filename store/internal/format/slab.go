package format

import (
	"encoding/binary"
	"errors"

	"github.com/kistarchive/kist/crypt"
)

// FrameKind says how a frame is compressed.
type FrameKind uint32

// The kinds of frames. They are on disk and never reused.
const (
	Zstd  FrameKind = 1 // a Zstandard frame (RFC 8878) that stands alone
	Delta FrameKind = 2 // copies out of bases, and literals: see package delta
)

// Frame describes one frame of a slab. Frames lie one after the other behind
// the slab's header.
type Frame struct {
	Kind   FrameKind `cbor:"1,keyasint"`
	Sealed uint32    `cbor:"2,keyasint"` // length in the slab, in bytes
	Chunks []uint32  `cbor:"3,keyasint"` // uncompressed lengths of its chunks, in order
	Standing
	// Padding tells of a frame that only makes the slab longer. Nobody needs its chunks.
	Padding bool `cbor:"8,keyasint,omitempty"`
}

// Raw gives the uncompressed length of the frame, in bytes.
func (f *Frame) Raw() int {
	n := 0
	for _, c := range f.Chunks {
		n += int(c)
	}
	return n
}

// Check holds a frame against the limits of readers, as far as it shows them by itself.
func (f *Frame) Check() error { return f.check() }

func (f *Frame) check() error {
	if f.Sealed == 0 || f.Sealed > MaxFrameSealed || len(f.Chunks) == 0 || len(f.Chunks) > MaxFrameChunks {
		return damaged("a frame of %d bytes and %d chunks", f.Sealed, len(f.Chunks))
	}
	raw := 0
	for _, c := range f.Chunks {
		if c == 0 || c > MaxChunk {
			return damaged("a chunk of %d bytes", c)
		}
		if raw += int(c); raw > MaxFrameRaw {
			return damaged("a frame of more than %d bytes", MaxFrameRaw)
		}
	}
	return f.checkStanding()
}

// SlabTable lists the frames of a slab. It stands at the slab's end, without
// identities: whoever rebuilds them reads the slab and hashes again.
type SlabTable struct {
	Frames  []Frame `cbor:"1,keyasint"`
	Group   []byte  `cbor:"2,keyasint,omitempty"` // see crypt.Group; nil where captures share chunks
	Padding []byte  `cbor:"3,keyasint,omitempty"` // zeros
	// Alike tells that its writer looked for what its chunks are alike, earlier captures included: storing it anew gains
	// nothing, though no frame of it may stand on others.
	Alike bool `cbor:"4,keyasint,omitempty"`
}

// Encode gives the plain bytes of the table.
func (t *SlabTable) Encode() []byte { return encode(t) }

// DecodeSlabTable is the inverse of Encode.
func DecodeSlabTable(b []byte) (*SlabTable, error) {
	var t SlabTable
	if err := decode(b, &t, tableBounds); err != nil {
		return nil, err
	}
	if err := checkExtras(t.Group, t.Padding); err != nil {
		return nil, err
	}
	return &t, checkFrames(t.Frames)
}

func checkFrames(frames []Frame) error {
	chunks := 0
	for i := range frames {
		if err := frames[i].check(); err != nil {
			return err
		}
		if i > 0 && frames[i-1].Padding && !frames[i].Padding {
			return damaged("a frame behind those that are padding")
		}
		chunks += len(frames[i].Chunks)
	}
	return checkSlabChunks(chunks)
}

// checkExtras checks what a slab's table has beside its frames, and a table's record.
func checkExtras(group, padding []byte) error {
	if len(group) != 0 && len(group) != len(crypt.Group{}) {
		return damaged("a group of %d bytes", len(group))
	}
	return checkPadding(padding)
}

func checkSlabChunks(n int) error {
	if n > MaxSlabChunks {
		return damaged("a slab of %d chunks", n)
	}
	return nil
}

// SectionKind says what a section of a slab holds. Kinds are on disk and never
// reused.
type SectionKind uint16

// The kinds of sections.
const (
	TableSection  SectionKind = 1 // the sealed SlabTable
	ParitySection SectionKind = 2 // see package parity
)

const (
	// SectionHead is the length in bytes of the head of a section.
	SectionHead     = 16
	sectionRequired = 1

	// SlabEnd is what stands behind a slab's frames beside its sealed table, in bytes.
	SlabEnd = SectionHead + TrailerSize
)

// AppendSectionHead appends the head of a section whose body of n bytes
// follows. A reader that does not know the kind skips it unless it is required.
func AppendSectionHead(dst []byte, kind SectionKind, must bool, n int) []byte {
	var flags uint16
	if must {
		flags = sectionRequired
	}
	dst = binary.LittleEndian.AppendUint16(dst, uint16(kind))
	dst = binary.LittleEndian.AppendUint16(dst, flags)
	dst = append(dst, 0, 0, 0, 0)
	return binary.LittleEndian.AppendUint64(dst, uint64(n))
}

// Sections are what is known of the sections of a slab, the bytes between its frames and its trailer.
type Sections struct {
	Table  []byte // sealed
	Parity Span   // its body, by where it lies among the sections; of length 0 where there is none
}

// Span is a part of something, in bytes.
type Span struct{ Off, Length int }

// ErrMore is returned for sections of which too little was given.
var ErrMore = errors.New("more of the sections is needed")

// FindSections finds the sections of a slab, which have so many bytes together. It fails with ErrMore where
// b, the first of them, do not have all heads and all of the table.
func FindSections(b []byte, length int) (s Sections, err error) {
	for off := 0; off < length; {
		if length-off < SectionHead {
			return s, damaged("a section is cut short")
		}
		if len(b) < off+SectionHead {
			return s, ErrMore
		}
		head := b[off:]
		kind := SectionKind(binary.LittleEndian.Uint16(head))
		flags := binary.LittleEndian.Uint16(head[2:])
		n := binary.LittleEndian.Uint64(head[8:])
		if flags > sectionRequired || binary.LittleEndian.Uint32(head[4:]) != 0 {
			return s, damaged("impossible head of a section")
		}
		off += SectionHead
		if n > uint64(length-off) {
			return s, damaged("a section of %d bytes where %d are left", n, length-off)
		}
		end := off + int(n)
		switch {
		case kind == TableSection && (s.Table != nil || flags != sectionRequired):
			return s, damaged("a second table, or one marked as optional")
		case kind == TableSection && len(b) < end:
			return s, ErrMore
		case kind == TableSection:
			s.Table = b[off:end:end]
		case kind == ParitySection:
			s.Parity = Span{off, int(n)}
		case flags&sectionRequired != 0:
			return s, unknownPart("section kind %d", kind)
		}
		off = end
	}
	if s.Table == nil {
		return s, damaged("the slab has no table")
	}
	return s, nil
}

// Trailer ends a slab and finds its sections. It is written twice, so that one
// copy may be damaged.
type Trailer struct {
	Sections uint64 // where the frames end and the first section begins
	Length   uint64 // of the whole slab
}

const (
	trailerMagic = "kist.end"
	trailerCopy  = len(trailerMagic) + 16 + crypt.Overhead

	// TrailerSize is the length in bytes of both copies.
	TrailerSize = 2 * trailerCopy
)

// AppendTrailer appends both copies of t, sealed.
func AppendTrailer(dst []byte, t Trailer, s *crypt.Sealer) []byte {
	for range 2 {
		var plain [16]byte
		binary.LittleEndian.PutUint64(plain[:], t.Sections)
		binary.LittleEndian.PutUint64(plain[8:], t.Length)
		dst = s.Seal(append(dst, trailerMagic...), plain[:], crypt.Piece{Kind: crypt.PieceTrailer})
	}
	return dst
}

// ParseTrailer reads the trailer at the end of a slab of the given length; b
// holds its last TrailerSize bytes. It also gives how many of the two copies are
// intact.
func ParseTrailer(b []byte, length int64, s *crypt.Opener) (t Trailer, intact int, err error) {
	if len(b) != TrailerSize {
		return t, 0, damaged("%d bytes where a trailer has %d", len(b), TrailerSize)
	}
	for ; len(b) > 0; b = b[trailerCopy:] {
		plain, err := s.Open(nil, b[len(trailerMagic):trailerCopy], crypt.Piece{Kind: crypt.PieceTrailer})
		if err != nil || string(b[:len(trailerMagic)]) != trailerMagic || len(plain) != 16 {
			continue
		}
		t = Trailer{Sections: binary.LittleEndian.Uint64(plain), Length: binary.LittleEndian.Uint64(plain[8:])}
		intact++
	}
	if intact == 0 {
		return t, 0, damaged("the slab has no trailer where it ends: it is cut short or overwritten")
	}
	t, err = checkTrailer(t, length)
	return t, intact, err
}

// MendTrailer puts, of two copies of a trailer of which one is harmed, the other one in its place.
func MendTrailer(b []byte, s *crypt.Opener) error {
	one, two := b[:trailerCopy], b[trailerCopy:]
	whole := func(b []byte) bool {
		plain, err := s.Open(nil, b[len(trailerMagic):], crypt.Piece{Kind: crypt.PieceTrailer})
		return err == nil && len(plain) == 16 && string(b[:len(trailerMagic)]) == trailerMagic
	}
	switch {
	case whole(one):
		copy(two, one)
	case whole(two):
		copy(one, two)
	default:
		return damaged("the slab has no trailer where it ends")
	}
	return nil
}

func checkTrailer(t Trailer, length int64) (Trailer, error) {
	if t.Length != uint64(length) {
		return t, damaged("the slab was written with %d bytes and has %d", t.Length, length)
	}
	if t.Length > MaxSlab || t.Length < uint64(headerFixed+TrailerSize) {
		return t, damaged("a slab of %d bytes", t.Length)
	}
	end := t.Length - uint64(TrailerSize)
	if t.Sections < headerFixed || t.Sections > end || end-t.Sections > MaxSection {
		return t, damaged("a slab with sections from byte %d on", t.Sections)
	}
	return t, nil
}
