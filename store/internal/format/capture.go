package format

import (
	"time"

	"github.com/kistarchive/kist/crypt"
)

// IndexFile is the record of one capture.
type IndexFile struct {
	ID      string            `cbor:"1,keyasint"`
	Written time.Time         `cbor:"2,keyasint"` // by the writer's clock
	Taken   time.Time         `cbor:"3,keyasint"` // when the data was as captured
	Name    string            `cbor:"4,keyasint,omitempty"`
	Version string            `cbor:"5,keyasint,omitempty"`
	Note    string            `cbor:"6,keyasint,omitempty"`
	Host    string            `cbor:"7,keyasint,omitempty"`
	Labels  map[string]string `cbor:"8,keyasint,omitempty"` // the caller's own
	Volumes []Volume          `cbor:"9,keyasint"`
	Added   uint64            `cbor:"10,keyasint"` // bytes of the slabs and tables written for it
	// Seen is the stream of the ids of the captures that were there when this one
	// was written, each followed by a line feed; nil where there were none.
	Seen *Recipe `cbor:"11,keyasint,omitempty"`
	// Previous is the capture that the same writer made before in this repository; nil
	// where it knows of none.
	Previous *Previous `cbor:"12,keyasint,omitempty"`
	// Amended is no part of the hash; nil where nothing was amended.
	Amended *Amendment `cbor:"13,keyasint,omitempty"`
	Padding []byte     `cbor:"15,keyasint,omitempty"` // zeros
	// Deltas tells that a slab which the recipes name has frames of kind Delta. It is no part of the hash. Who
	// does not know it would let bases go that the capture needs: so the key is below zero.
	Deltas bool `cbor:"-2,keyasint,omitempty"`
}

// Volume is the record of one tree of data, or of one stream, in a capture.
type Volume struct {
	Name        string   `cbor:"1,keyasint,omitempty"`
	MountPath   string   `cbor:"2,keyasint,omitempty"`
	Source      string   `cbor:"3,keyasint,omitempty"` // where it was read from, for people
	Compression string   `cbor:"4,keyasint,omitempty"` // of the input that was unpacked: gzip, zstd, xz, bzip2
	Tar         bool     `cbor:"5,keyasint,omitempty"` // a tar stream; else plain contents
	Members     uint64   `cbor:"6,keyasint"`
	Length      uint64   `cbor:"7,keyasint"`            // of the stream, in bytes
	SHA256      []byte   `cbor:"8,keyasint,omitempty"`  // of the stream, where all of it passed by
	Unfinished  string   `cbor:"9,keyasint,omitempty"`  // what was wrong with a stream accepted unfinished
	MemberList  Recipe   `cbor:"10,keyasint"`           // a stream of Entry records
	Stamps      *Recipe  `cbor:"11,keyasint,omitempty"` // what was cut out of the headers; nil where nothing was
	Contents    *Recipe  `cbor:"12,keyasint,omitempty"` // nil where there are none
	States      *Recipe  `cbor:"13,keyasint,omitempty"` // a stream of the writer's notes on its files
	Warnings    []string `cbor:"14,keyasint,omitempty"` // of its writer, for people
	Order       *Recipe  `cbor:"15,keyasint,omitempty"` // of members by path; no part of the hash; nil where there is none
}

// maxEntryKind is the highest kind of entry that this package knows.
const maxEntryKind = 1

// Entry is one record of a member list: bytes of the stream kept verbatim,
// and how much of the contents follows them.
type Entry struct {
	_      struct{} `cbor:",toarray"`
	Kind   uint32   // as tarstream.Kind
	Header []byte   // what is not among the stamps, packed by PackZeros
	Length uint64   // of the content that follows
	Chunks uint64   // that the content is split into
	Cuts   []Cut    // where stamps belong in the header
}

// Cut is tarstream.Cut.
type Cut struct {
	_      struct{} `cbor:",toarray"`
	Offset uint32
	Length uint32
	Sum    bool
}

// EncodeIndexFile gives the plain bytes of an index file.
func EncodeIndexFile(f *IndexFile) []byte { return encode(f) }

// DecodeIndexFile is the inverse of EncodeIndexFile.
func DecodeIndexFile(b []byte) (*IndexFile, error) { return decodeIndexFile(b, false) }

func decodeIndexFile(b []byte, accepted bool) (*IndexFile, error) {
	var f IndexFile
	if err := decodeAs(b, &f, indexBounds, accepted); err != nil {
		return nil, err
	}
	for i := range f.Volumes {
		if err := f.Volumes[i].check(); err != nil {
			return nil, err
		}
	}
	if f.Seen != nil {
		if err := f.Seen.check(); err != nil {
			return nil, err
		}
	}
	return &f, checkPadding(f.Padding)
}

func (v *Volume) check() error {
	if n := len(v.SHA256); n != 0 && n != 32 {
		return damaged("a SHA-256 of %d bytes", n)
	}
	for _, r := range []*Recipe{&v.MemberList, v.Stamps, v.Contents, v.States, v.Order} {
		if r == nil {
			continue
		}
		if err := r.check(); err != nil {
			return err
		}
	}
	return nil
}

// EntryEncoder encodes entries. Its zero value is not usable.
type EntryEncoder struct{ c codec }

// NewEntryEncoder gives an encoder.
func NewEntryEncoder() *EntryEncoder { return &EntryEncoder{newCodec()} }

// Encode gives the encoding of e, as it stands in a member list.
func (e *EntryEncoder) Encode(entry Entry) []byte {
	if len(entry.Header) == 0 {
		entry.Header = nil // one way to say none
	}
	if len(entry.Cuts) == 0 {
		entry.Cuts = nil
	}
	return e.c.encode(entry)
}

// SealIndexFile appends the record of an index file behind its header, with the padding
// that it needs, whatever it has.
func SealIndexFile(dst []byte, f *IndexFile, s *crypt.Sealer) []byte {
	return s.Seal(dst, f.encodePadded(), crypt.Piece{Kind: crypt.PieceRecord})
}

// OpenIndexFile decodes what SealIndexFile sealed.
func OpenIndexFile(sealed []byte, s *crypt.Opener) (*IndexFile, error) {
	return openIndexFile(sealed, s, false)
}

// ReopenIndexFile is OpenIndexFile for an index file that it accepted before.
func ReopenIndexFile(sealed []byte, s *crypt.Opener) (*IndexFile, error) {
	return openIndexFile(sealed, s, true)
}

func openIndexFile(sealed []byte, s *crypt.Opener, accepted bool) (*IndexFile, error) {
	plain, err := s.Open(nil, sealed, crypt.Piece{Kind: crypt.PieceRecord})
	if err != nil {
		return nil, damaged("the index file can't be opened: %v", err)
	}
	f, err := decodeIndexFile(plain, accepted)
	if err == nil {
		f.Padding = nil // each sealing has its own
	}
	return f, err
}
