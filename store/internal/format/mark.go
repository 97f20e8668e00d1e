package format

import (
	"time"

	"github.com/kistarchive/kist/crypt"
)

// MarkRecord is the record of a hold or of a retirement. Which capture it is
// about stands in its name, to which it is sealed.
type MarkRecord struct {
	Made   time.Time `cbor:"1,keyasint"`           // by the writer's clock, for people
	Host   string    `cbor:"2,keyasint,omitempty"` // that made it
	Reason string    `cbor:"3,keyasint,omitempty"` // for people
}

// RetirementRecord is the record of a mark that retires several captures.
type RetirementRecord struct {
	MarkRecord
	Captures []string `cbor:"4,keyasint"` // their ids
}

// LeaseRecord is the record of a lease.
type LeaseRecord struct {
	Began time.Time `cbor:"1,keyasint"` // by the writer's clock
	Host  string    `cbor:"2,keyasint,omitempty"`
	Work  string    `cbor:"3,keyasint"`           // what the writer does
	About string    `cbor:"4,keyasint,omitempty"` // the name of the service, for people
	// Process names the writer's process for others on the same machine.
	Process string `cbor:"5,keyasint,omitempty"`
}

// Kinds of work that leases tell apart.
const (
	WorkCapture = "capture"
	WorkReclaim = "reclaim"
	WorkMark    = "mark"   // a hold, or the end of a retirement
	WorkRepair  = "repair" // tables, or captures without what can't be mended

	WorkReplicate = "replicate" // captures of another place, or for one
)

// BatchRecord is the record of a batch of what is to go, at any of its stages.
type BatchRecord struct {
	Made     time.Time    `cbor:"1,keyasint"` // by the writer's clock, for people
	Slabs    []SlabID     `cbor:"2,keyasint,omitempty"`
	Captures []string     `cbor:"3,keyasint,omitempty"`
	Harmed   []HarmedSlab `cbor:"4,keyasint,omitempty"`
	// Hashes are those of Captures, in order, as IndexFile.Hash gives them; zeros stand
	// for one that isn't known. Older releases left them out.
	Hashes []crypt.Digest `cbor:"5,keyasint,omitempty"`
}

// check holds the fields against each other.
func (b *BatchRecord) check() error {
	if n := len(b.Hashes); n != 0 && n != len(b.Captures) {
		return damaged("%d hashes of %d captures", n, len(b.Captures))
	}
	return nil
}

// HarmedSlab names frames of a slab that can't be read.
type HarmedSlab struct {
	_      struct{} `cbor:",toarray"`
	Slab   SlabID
	Frames []uint32 // none: the slab as a whole; the number behind the last: a copy of its trailer
}

// Record is one of the records of marks.
type Record interface {
	MarkRecord | LeaseRecord | BatchRecord | RehearsalRecord | VerificationRecord | PlaceRecord | ElsewhereRecord | RetirementRecord | BundleRecord | SettingsRecord | ListedRecord | ReliedRecord
}

// SealMark appends the record of a mark behind its header.
func SealMark[R Record](dst []byte, record *R, s *crypt.Sealer) []byte {
	return s.Seal(dst, encode(record), crypt.Piece{Kind: crypt.PieceRecord})
}

// OpenMark decodes what SealMark sealed.
func OpenMark[R Record](sealed []byte, s *crypt.Opener) (*R, error) {
	plain, err := s.Open(nil, sealed, crypt.Piece{Kind: crypt.PieceRecord})
	if err != nil {
		return nil, damaged("the mark can't be opened: %v", err)
	}
	return decodeMark[R](plain)
}

// decodeMark decodes the plain bytes of a mark's record.
func decodeMark[R Record](b []byte) (*R, error) {
	record := new(R)
	if err := decode(b, record, tableBounds); err != nil {
		return nil, err
	}
	if checked, ok := any(record).(interface{ check() error }); ok {
		if err := checked.check(); err != nil {
			return nil, err
		}
	}
	return record, nil
}
