package store_test

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"path"
	"slices"

	"lukechampine.com/blake3"
)

// secondSlab is a slab, section 7, with all that it holds.
type secondSlab struct {
	*secondObject
	table  secondSlabTable
	frames [][]byte // opened, still compressed
	chunks [][]byte
	parity []byte // the body of that section; nil: none
}

type secondSlabTable struct {
	Frames  []secondFrameRecord `cbor:"1,keyasint"`
	Group   []byte              `cbor:"2,keyasint,omitempty"`
	Padding []byte              `cbor:"3,keyasint,omitempty"`
	Alike   bool                `cbor:"4,keyasint,omitempty"`
}

type secondFrameRecord struct {
	Kind       uint64   `cbor:"1,keyasint"`
	Sealed     uint64   `cbor:"2,keyasint"`
	Lengths    []uint64 `cbor:"3,keyasint"`
	Identities []byte   `cbor:"4,keyasint,omitempty"` // in table objects only
	Padding    bool     `cbor:"8,keyasint,omitempty"`
	Former     []byte   `cbor:"9,keyasint,omitempty"` // likewise
	Depth      uint64   `cbor:"5,keyasint,omitempty"` // of kind 2
	First      uint64   `cbor:"7,keyasint,omitempty"`

	Bases []secondBase `cbor:"-1,keyasint,omitempty"`
}

// slab reads a slab and keeps it.
func (r *secondReader) slab(id string) (*secondSlab, error) {
	if s, ok := r.slabs[id]; ok {
		return s, nil
	}
	if len(id) != 24 {
		return nil, fmt.Errorf("%q is no id of a slab", id)
	}
	o, err := r.object("slab", path.Join("slabs", id[:2], id))
	if err != nil {
		return nil, err
	}
	s := &secondSlab{secondObject: o}
	sections, err := s.trailers()
	if err != nil {
		return nil, err
	}
	if err := s.readTable(o.all[sections : len(o.all)-2*secondTrailerLength]); err != nil {
		return nil, err
	}
	if err := s.readFrames(o.all[len(o.all)-len(o.body) : sections]); err != nil {
		return nil, err
	}
	if err := s.checkParity(); err != nil {
		return nil, err
	}
	r.slabs[id] = s
	return s, nil
}

// secondTrailerLength is the length of one copy of the trailer.
const secondTrailerLength = 8 + 32

// trailers opens both copies and gives the offset of the first section.
func (s *secondSlab) trailers() (sections uint64, err error) {
	if len(s.body) < 2*secondTrailerLength {
		return 0, fmt.Errorf("slab %s is too short", s.name)
	}
	for _, back := range []int{2, 1} {
		b := s.all[len(s.all)-back*secondTrailerLength:][:secondTrailerLength]
		if string(b[:8]) != "kist.end" {
			return 0, fmt.Errorf("slab %s: no trailer", s.name)
		}
		plain, err := s.open(secondTrailer, 0, b[8:])
		if err != nil {
			return 0, err
		}
		sections = number(plain[:8])
		if number(plain[8:16]) != uint64(len(s.all)) || len(plain) != 16 {
			return 0, fmt.Errorf("slab %s is not as long as its trailer says", s.name)
		}
	}
	return sections, nil
}

// readTable finds the table among the sections.
func (s *secondSlab) readTable(sections []byte) error {
	found := false
	for len(sections) > 0 {
		if len(sections) < 16 || number(sections[8:16]) > uint64(len(sections)-16) || number(sections[4:8]) != 0 {
			return fmt.Errorf("slab %s: a section is cut short", s.name)
		}
		kind, flags := number(sections[:2]), number(sections[2:4])
		content := sections[16:][:number(sections[8:16])]
		sections = sections[16+len(content):]
		if kind == 2 && flags == 0 && found && len(sections) == 0 {
			if s.parity = content; len(s.all) > 67108864 {
				return fmt.Errorf("slab %s: parity of %d bytes", s.name, len(s.all))
			}
			continue
		}
		if kind != 1 || flags != 1 || found {
			return fmt.Errorf("slab %s: section kind %d, flags %d", s.name, kind, flags)
		}
		plain, err := s.open(secondSection, kind, content)
		if err != nil {
			return err
		}
		if err := secondRecordInto(plain, &s.table); err != nil {
			return err
		}
		found = true
	}
	if !found {
		return fmt.Errorf("slab %s has no table", s.name)
	}
	return nil
}

func (s *secondSlab) readFrames(b []byte) error {
	for i, f := range s.table.Frames {
		if f.Sealed > uint64(len(b)) || f.Identities != nil || f.Former != nil {
			return fmt.Errorf("slab %s, frame %d: bad record", s.name, i)
		}
		frame, err := s.open(secondFrame, uint64(i), b[:f.Sealed])
		if err != nil {
			return err
		}
		content, err := s.unpack(i, &f, frame)
		if err != nil {
			return fmt.Errorf("slab %s, frame %d: %w", s.name, i, err)
		}
		b = b[f.Sealed:]
		s.frames = append(s.frames, frame)
		for _, n := range f.Lengths {
			if n == 0 || n > uint64(len(content)) {
				return fmt.Errorf("slab %s, frame %d: bad chunk length", s.name, i)
			}
			s.chunks = append(s.chunks, content[:n])
			content = content[n:]
		}
		if len(content) > 0 {
			return fmt.Errorf("slab %s, frame %d: bytes behind the last chunk", s.name, i)
		}
	}
	if len(b) > 0 {
		return fmt.Errorf("slab %s: %d bytes between frames and sections", s.name, len(b))
	}
	return nil
}

// identity is the identity of a chunk, section 5.
func (r *secondReader) identity(chunk []byte) []byte {
	h := blake3.New(32, r.keys.identity)
	h.Write(chunk)
	return h.Sum(nil)[:16]
}

// secondTableRecord describes one slab in a table object, section 8.
type secondTableRecord struct {
	Slab    []byte              `cbor:"1,keyasint"`
	Length  uint64              `cbor:"2,keyasint"`
	Frames  []secondFrameRecord `cbor:"3,keyasint"`
	Group   []byte              `cbor:"4,keyasint,omitempty"`
	Padding []byte              `cbor:"5,keyasint,omitempty"`
}

// table reads a table object.
func (r *secondReader) table(name string) (records []secondTableRecord, err error) {
	o, err := r.object("table", name)
	if err != nil {
		return nil, err
	}
	b := o.body
	for i := uint64(0); ; i++ {
		if len(b) < 4 || number(b[:4]) > uint64(len(b)-4) {
			return nil, fmt.Errorf("%s is cut short", name)
		}
		sealed := b[4:][:number(b[:4])]
		b = b[4+len(sealed):]
		plain, err := o.open(secondRecord, i, sealed)
		if err != nil {
			return nil, err
		}
		if len(plain) == 0 {
			break
		}
		var record secondTableRecord
		if err := secondRecordInto(plain, &record); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		records = append(records, record)
	}
	if len(b) > 0 {
		return nil, fmt.Errorf("%s: %d bytes behind the last record", name, len(b))
	}
	return records, nil
}

// checkTable compares a record of a table with the slab and hashes its chunks.
func (r *secondReader) checkTable(record *secondTableRecord) error {
	s, err := r.slab(hex.EncodeToString(record.Slab))
	if err != nil {
		return err
	}
	if record.Length != uint64(len(s.all)) || len(record.Slab) != 12 || len(record.Frames) != len(s.table.Frames) || !bytes.Equal(record.Group, s.table.Group) {
		return fmt.Errorf("the table and slab %s differ", s.name)
	}
	chunks := s.chunks
	for i, f := range record.Frames {
		own := s.table.Frames[i]
		if f.Padding != own.Padding || f.Kind != own.Kind || f.Sealed != own.Sealed || f.Depth != own.Depth || f.First != own.First || !slices.EqualFunc(f.Bases, own.Bases, secondBase.is) || !slices.Equal(f.Lengths, own.Lengths) || len(f.Identities) != 16*len(f.Lengths) {
			return fmt.Errorf("the table and slab %s differ in frame %d", s.name, i)
		}
		before := uint64(0)
		for former := range slices.Chunk(f.Former, 4+16) {
			n := number(former[:4])
			if len(former) != 20 || n < before || n >= uint64(len(f.Lengths)) || bytes.Equal(former[4:], f.Identities[16*n:][:16]) {
				return fmt.Errorf("slab %s: a former identity %x of frame %d", s.name, former, i)
			}
			before = n
			r.former++
		}
		for id := range slices.Chunk(f.Identities, 16) {
			if !bytes.Equal(id, r.identity(chunks[0])) {
				return fmt.Errorf("slab %s: a chunk of frame %d has not the identity %x", s.name, i, id)
			}
			chunks = chunks[1:]
		}
	}
	return nil
}
