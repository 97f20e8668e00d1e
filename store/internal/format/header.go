package format

import (
	"encoding/binary"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/crypt"
)

// ObjectKind says what a sealed object is.
type ObjectKind uint8

// The kinds of sealed objects. The numbers are on disk and never reused.
const (
	Slab    ObjectKind = 1
	Table   ObjectKind = 2
	Capture ObjectKind = 3
	Hold    ObjectKind = 4
	Retired ObjectKind = 5
	Lease   ObjectKind = 6
	Batch   ObjectKind = 7

	Rehearsal    ObjectKind = 8
	Verification ObjectKind = 9

	Place      ObjectKind = 10
	Elsewhere  ObjectKind = 11
	Retirement ObjectKind = 12 // of several captures
	Bundle     ObjectKind = 13

	Settings ObjectKind = 14 // of a place

	// TableCopy is a table as it is kept on a machine that writes, in no repository.
	TableCopy ObjectKind = 128

	// Listed and Relied are notes of a machine, in no repository: what it saw listed, and what a
	// capture of its own relies on.
	Listed ObjectKind = 160
	Relied ObjectKind = 161
)

// String gives the name under which an object's key is bound to its kind.
func (k ObjectKind) String() string {
	switch k {
	case Slab:
		return "slab"
	case Table:
		return "table"
	case Capture:
		return "capture"
	case Hold:
		return "hold"
	case Retired:
		return "retired"
	case Lease:
		return "lease"
	case Batch:
		return "batch"
	case Rehearsal:
		return "rehearsal"
	case Verification:
		return "verification"
	case Place:
		return "place"
	case Elsewhere:
		return "elsewhere"
	case Retirement:
		return "retirement"
	case Bundle:
		return "bundle"
	case Settings:
		return "settings"
	case TableCopy:
		return "copy of a table"
	case Listed:
		return "what was listed"
	case Relied:
		return "what a capture relies on"
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

const (
	magic       = "kist"
	headerFixed = 16
	maxWrapped  = 1 << 10

	// HeaderSize is the length in bytes of the header that AppendHeader writes.
	HeaderSize = headerFixed + crypt.WrappedSize
	// MaxHeader is the length in bytes of the longest header.
	MaxHeader = headerFixed + maxWrapped
)

// Header begins every sealed object: it says what the object is and holds its
// key, wrapped.
type Header struct {
	Kind     ObjectKind
	Wrapping crypt.WrappingKind
	Wrapped  []byte
}

// Open unwraps the object's key and gives what opens its pieces.
func (h *Header) Open(keys *crypt.Keys, name crypt.ObjectName) (*crypt.Opener, error) {
	opener, err := keys.NewOpener(name, h.Wrapping, h.Wrapped)
	switch {
	case errors.Is(err, crypt.ErrUnknownWrapping):
		return nil, fmt.Errorf("%w: %w", ErrUnknownPart, err)
	case errors.Is(err, crypt.ErrDamaged):
		return nil, fmt.Errorf("%w: its key: %w", ErrDamaged, err)
	}
	return opener, err
}

// AppendHeader appends the encoding of h to dst.
func AppendHeader(dst []byte, h Header) []byte {
	dst = append(dst, magic...)
	dst = append(dst, byte(h.Kind), 0)
	dst = binary.LittleEndian.AppendUint16(dst, Version)
	dst = binary.LittleEndian.AppendUint16(dst, uint16(h.Wrapping))
	dst = binary.LittleEndian.AppendUint16(dst, uint16(len(h.Wrapped)))
	dst = append(dst, 0, 0, 0, 0)
	return append(dst, h.Wrapped...)
}

// ParseHeader decodes the header of an object of the given kind at the start
// of b and gives its length. Rungs: magic, version, kind, lengths.
func ParseHeader(b []byte, kind ObjectKind) (Header, int, error) {
	if len(b) < headerFixed {
		return Header{}, 0, damaged("%d bytes are too short for a header", len(b))
	}
	if string(b[:4]) != magic {
		return Header{}, 0, damaged("no kist object: it begins with %q", b[:4])
	}
	if v := binary.LittleEndian.Uint16(b[6:]); v != Version {
		return Header{}, 0, fmt.Errorf("%w %d: this program reads version %d", ErrUnknownVersion, v, Version)
	}
	if ObjectKind(b[4]) != kind {
		return Header{}, 0, damaged("a %v where a %v must be", ObjectKind(b[4]), kind)
	}
	n := int(binary.LittleEndian.Uint16(b[10:]))
	if b[5] != 0 || binary.LittleEndian.Uint32(b[12:]) != 0 || n > maxWrapped {
		return Header{}, 0, damaged("impossible header")
	}
	if len(b) < headerFixed+n {
		return Header{}, 0, damaged("the header is cut short")
	}
	return Header{
		Kind:     kind,
		Wrapping: crypt.WrappingKind(binary.LittleEndian.Uint16(b[8:])),
		Wrapped:  b[headerFixed : headerFixed+n : headerFixed+n],
	}, headerFixed + n, nil
}
