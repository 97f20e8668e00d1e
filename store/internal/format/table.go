package format

import (
	"encoding/binary"
	"io"
	"slices"

	"github.com/kistarchive/kist/crypt"
)

// TableFrame is a Frame with the identities of its chunks.
type TableFrame struct {
	Kind   FrameKind `cbor:"1,keyasint"`
	Sealed uint32    `cbor:"2,keyasint"`
	Chunks []uint32  `cbor:"3,keyasint"`
	IDs    []byte    `cbor:"4,keyasint"` // the chunks' identities, 16 bytes each, in order
	Standing
	// Padding is as in Frame.
	Padding bool `cbor:"8,keyasint,omitempty"`
	// Former are identities under which chunks were listed that are others; see
	// AppendFormer. Captures may have relied on them.
	Former []byte `cbor:"9,keyasint,omitempty"`
}

// Frame gives the frame without the identities.
func (f *TableFrame) Frame() Frame {
	return Frame{Kind: f.Kind, Sealed: f.Sealed, Chunks: f.Chunks, Standing: f.Standing, Padding: f.Padding}
}

// Listed gives what a table says of a frame, yet without identities.
func (f *Frame) Listed() TableFrame {
	return TableFrame{Kind: f.Kind, Sealed: f.Sealed, Chunks: f.Chunks, Standing: f.Standing, Padding: f.Padding}
}

// ID gives the identity of chunk i of the frame.
func (f *TableFrame) ID(i int) crypt.Identity {
	return crypt.Identity(f.IDs[i*len(crypt.Identity{}):])
}

// SlabRecord is what a table object says of one slab.
type SlabRecord struct {
	Slab    SlabID       `cbor:"1,keyasint"`
	Length  uint64       `cbor:"2,keyasint"` // of the slab, in bytes
	Frames  []TableFrame `cbor:"3,keyasint"`
	Group   []byte       `cbor:"4,keyasint,omitempty"` // as in SlabTable
	Padding []byte       `cbor:"5,keyasint,omitempty"` // zeros
}

// Encode gives the plain bytes of the record.
func (r *SlabRecord) Encode() []byte { return encode(r) }

// DecodeSlabRecord is the inverse of Encode.
func DecodeSlabRecord(b []byte) (*SlabRecord, error) {
	var r SlabRecord
	if err := decode(b, &r, tableBounds); err != nil {
		return nil, err
	}
	return &r, r.check()
}

func (r *SlabRecord) check() error {
	if err := checkExtras(r.Group, r.Padding); err != nil {
		return err
	}
	chunks := 0
	for i := range r.Frames {
		if i > 0 && r.Frames[i-1].Padding && !r.Frames[i].Padding {
			return damaged("a frame behind those that are padding")
		}
		f := r.Frames[i].Frame()
		if len(r.Frames[i].IDs) != len(f.Chunks)*len(crypt.Identity{}) {
			return damaged("%d bytes of identities for %d chunks", len(r.Frames[i].IDs), len(f.Chunks))
		}
		if err := f.check(); err != nil {
			return err
		}
		if err := r.Frames[i].checkFormer(); err != nil {
			return err
		}
		chunks += len(f.Chunks)
	}
	return checkSlabChunks(chunks)
}

// AppendRecord appends a record of a table object, sealed, behind its length.
// Records are numbered from 0; an empty one ends the object.
func AppendRecord(dst, plain []byte, number uint64, s *crypt.Sealer) []byte {
	dst = binary.LittleEndian.AppendUint32(dst, uint32(len(plain)+crypt.Overhead))
	return s.Seal(dst, plain, crypt.Piece{Kind: crypt.PieceRecord, Number: number})
}

// RecordReader reads the records of a table object behind its header.
type RecordReader struct {
	r      io.Reader
	s      *crypt.Opener
	number uint64
	sealed []byte
}

// NewRecordReader reads records from r and opens them with s.
func NewRecordReader(r io.Reader, s *crypt.Opener) *RecordReader { return &RecordReader{r: r, s: s} }

// Skip passes over the next record without opening it.
func (r *RecordReader) Skip() error {
	n, err := r.length()
	if err == nil {
		_, err = io.CopyN(io.Discard, r.r, n)
		r.number++
	}
	return cutShort(err)
}

// length reads the length of the next record, in bytes as it is sealed.
func (r *RecordReader) length() (int64, error) {
	var prefix [4]byte
	if _, err := io.ReadFull(r.r, prefix[:]); err != nil {
		return 0, cutShort(err)
	}
	n := int64(binary.LittleEndian.Uint32(prefix[:]))
	if n < crypt.Overhead || n > MaxRecord {
		return 0, damaged("a record of %d bytes", n)
	}
	return n, nil
}

// Next gives the next record's plain bytes, valid until the call after it, or
// io.EOF after the last. An object without its last record is damaged.
func (r *RecordReader) Next() ([]byte, error) {
	n, err := r.length()
	if err != nil {
		return nil, err
	}
	// Grows as bytes arrive: a claimed length alone allocates little.
	buf := appendReader{slices.Grow(r.sealed[:0], int(min(n, 128<<10)))}
	if _, err := io.CopyN(&buf, r.r, n); err != nil {
		return nil, cutShort(err)
	}
	r.sealed = buf.b
	plain, err := r.s.Open(r.sealed[:0], r.sealed, crypt.Piece{Kind: crypt.PieceRecord, Number: r.number})
	if err != nil {
		return nil, damaged("record %d of the table can't be opened: %v", r.number, err)
	}
	r.number++
	if len(plain) == 0 {
		return nil, r.end()
	}
	return plain, nil
}

// end makes sure that nothing follows the last record.
func (r *RecordReader) end() error {
	if n, err := io.ReadFull(r.r, make([]byte, 1)); n > 0 {
		return damaged("the table goes on behind its last record")
	} else if err != io.EOF {
		return err
	}
	return io.EOF
}

type appendReader struct{ b []byte }

func (a *appendReader) Write(p []byte) (int, error) {
	a.b = append(a.b, p...)
	return len(p), nil
}

func cutShort(err error) error {
	if err == io.EOF || err == io.ErrUnexpectedEOF {
		return damaged("the table is cut short")
	}
	return err
}
