package format

import (
	"encoding/binary"

	"github.com/kistarchive/kist/crypt"
)

// slabColumns says the same as several SlabRecords, by columns, so that it is read in
// a tenth of the time. Copies of tables are kept so on the machines of writers, never in
// a repository; they have no former identities. Numbers are little-endian, as in the typed arrays of RFC 8746.
type slabColumns struct {
	_       struct{} `cbor:",toarray"`
	Slabs   []byte   // identities
	Lengths []byte   // of slabs, 8 bytes each
	Frames  []byte   // of each slab, how many, 4 bytes each
	Kinds   []byte   // of frames, 4 bytes each
	Sealed  []byte   // lengths of frames, 4 bytes each
	Chunks  []byte   // of each frame, how many, 4 bytes each
	Sizes   []byte   // lengths of chunks, 4 bytes each
	IDs     []byte   // of chunks
	Pads    []byte   // of frames, 1 byte each: 1 where it is padding
	Groups  []byte   // of slabs, 16 bytes each; zeros: none
	Deltas  []byte   // of each frame of kind Delta: depth, length of its copies and number of bases, 4 bytes each
	Bases   []byte   // slab, 12 bytes, first chunk and count, 4 bytes each
}

// copyChunks is how many chunks, or slabs, are put together at the least: some 80 KiB.
const copyChunks = 4096

// EncodeTableCopy calls put with the records by columns, in pieces that
// DecodeTableCopy takes. A piece holds one slab at the least.
func EncodeTableCopy(records []*SlabRecord, put func([]byte)) {
	for n := 0; len(records) > 0; records = records[n:] {
		var c slabColumns
		n = inPiece(records)
		for _, r := range records[:n] {
			c.add(r)
		}
		put(encode(&c))
	}
}

// inPiece gives how many records, of those that are left, are in the next piece.
func inPiece(records []*SlabRecord) int {
	chunks := 0
	for n, r := range records {
		for i := range r.Frames {
			chunks += len(r.Frames[i].Chunks)
		}
		if chunks >= copyChunks || n+1 >= copyChunks {
			return n + 1
		}
	}
	return len(records)
}

// CopyPieces gives, of each of the records, the number of the piece that EncodeTableCopy puts it in.
func CopyPieces(records []*SlabRecord) []uint32 {
	all := make([]uint32, 0, len(records))
	for piece := uint32(0); len(records) > 0; piece++ {
		n := inPiece(records)
		for range n {
			all = append(all, piece)
		}
		records = records[n:]
	}
	return all
}

func (c *slabColumns) add(r *SlabRecord) {
	c.Slabs = append(c.Slabs, r.Slab[:]...)
	c.Lengths = binary.LittleEndian.AppendUint64(c.Lengths, r.Length)
	c.Frames = binary.LittleEndian.AppendUint32(c.Frames, uint32(len(r.Frames)))
	var group crypt.Group
	copy(group[:], r.Group)
	c.Groups = append(c.Groups, group[:]...)
	for i := range r.Frames {
		f := &r.Frames[i]
		c.Kinds = binary.LittleEndian.AppendUint32(c.Kinds, uint32(f.Kind))
		c.Sealed = binary.LittleEndian.AppendUint32(c.Sealed, f.Sealed)
		c.Chunks = binary.LittleEndian.AppendUint32(c.Chunks, uint32(len(f.Chunks)))
		for _, n := range f.Chunks {
			c.Sizes = binary.LittleEndian.AppendUint32(c.Sizes, n)
		}
		c.IDs = append(c.IDs, f.IDs...)
		c.Pads = append(c.Pads, pad(f.Padding))
		if f.Kind == Delta {
			c.addStanding(&f.Standing)
		}
	}
}

func (c *slabColumns) addStanding(s *Standing) {
	for _, n := range []uint32{s.Depth, s.Copies, uint32(len(s.Bases))} {
		c.Deltas = binary.LittleEndian.AppendUint32(c.Deltas, n)
	}
	for _, b := range s.Bases {
		c.Bases = append(c.Bases, b.Slab[:]...)
		c.Bases = binary.LittleEndian.AppendUint32(c.Bases, b.First)
		c.Bases = binary.LittleEndian.AppendUint32(c.Bases, b.Count)
	}
}

// Lengths of what the columns of deltas and bases have of each, in bytes.
const (
	columnDelta = 12
	columnBase  = len(SlabID{}) + 8
)

// takeStanding takes what the next frame of kind Delta stands on off its columns.
func (c *slabColumns) takeStanding() (s Standing, err error) {
	if len(c.Deltas) < columnDelta {
		return s, damaged("more deltas than there are")
	}
	s.Depth, s.Copies = binary.LittleEndian.Uint32(c.Deltas), binary.LittleEndian.Uint32(c.Deltas[4:])
	n := int(binary.LittleEndian.Uint32(c.Deltas[8:]))
	c.Deltas = c.Deltas[columnDelta:]
	if n > len(c.Bases)/columnBase {
		return s, damaged("more bases than there are")
	}
	s.Bases = make([]Base, n)
	for i := range s.Bases {
		b := c.Bases[i*columnBase:]
		at := b[len(SlabID{}):]
		s.Bases[i] = Base{Slab: SlabID(b), First: binary.LittleEndian.Uint32(at), Count: binary.LittleEndian.Uint32(at[4:])}
	}
	c.Bases = c.Bases[n*columnBase:]
	return s, nil
}

func pad(is bool) byte {
	if is {
		return 1
	}
	return 0
}

// group gives the group of slab i, or nil for none.
func (c *slabColumns) group(i int) []byte {
	n := len(crypt.Group{})
	g := c.Groups[i*n : (i+1)*n : (i+1)*n]
	if crypt.Group(g) == (crypt.Group{}) {
		return nil
	}
	return g
}

// DecodeTableCopy appends the records of a piece that EncodeTableCopy gave.
func DecodeTableCopy(records []*SlabRecord, piece []byte) ([]*SlabRecord, error) {
	var c slabColumns
	if err := decodeAs(piece, &c, tableBounds, true); err != nil {
		return nil, err
	}
	slabs, frames, chunks := len(c.Slabs)/len(SlabID{}), len(c.Sealed)/4, len(c.Sizes)/4
	if len(c.Slabs) != slabs*len(SlabID{}) || len(c.Lengths) != 8*slabs || len(c.Frames) != 4*slabs ||
		len(c.Kinds) != 4*frames || len(c.Sealed) != 4*frames || len(c.Chunks) != 4*frames ||
		len(c.Sizes) != 4*chunks || len(c.IDs) != chunks*len(crypt.Identity{}) ||
		len(c.Pads) != frames || len(c.Groups) != slabs*len(crypt.Group{}) {
		return nil, damaged("columns of different lengths")
	}
	sizes := make([]uint32, chunks)
	for i := range sizes {
		sizes[i] = binary.LittleEndian.Uint32(c.Sizes[4*i:])
	}
	all, err := c.tableFrames(make([]TableFrame, frames), sizes)
	if err != nil {
		return nil, err
	}
	out := make([]SlabRecord, slabs)
	for i := range out {
		n := int(binary.LittleEndian.Uint32(c.Frames[4*i:]))
		if n > len(all) {
			return nil, damaged("more frames than there are")
		}
		out[i] = SlabRecord{
			Slab: SlabID(c.Slabs[i*len(SlabID{}):]), Length: binary.LittleEndian.Uint64(c.Lengths[8*i:]),
			Frames: all[:n:n], Group: c.group(i),
		}
		all = all[n:]
		if err := out[i].check(); err != nil {
			return nil, err
		}
		records = append(records, &out[i])
	}
	if len(all) > 0 {
		return nil, damaged("frames of no slab")
	}
	return records, nil
}

// tableFrames fills frames in.
func (c *slabColumns) tableFrames(frames []TableFrame, sizes []uint32) ([]TableFrame, error) {
	ids := c.IDs
	for i := range frames {
		n := int(binary.LittleEndian.Uint32(c.Chunks[4*i:]))
		if n > len(sizes) {
			return nil, damaged("more chunks than there are")
		}
		length := n * len(crypt.Identity{})
		if c.Pads[i] > 1 {
			return nil, damaged("neither padding nor not")
		}
		frames[i] = TableFrame{
			Kind: FrameKind(binary.LittleEndian.Uint32(c.Kinds[4*i:])), Sealed: binary.LittleEndian.Uint32(c.Sealed[4*i:]),
			Chunks: sizes[:n:n], IDs: ids[:length:length], Padding: c.Pads[i] == 1,
		}
		if frames[i].Kind == Delta {
			var err error
			if frames[i].Standing, err = c.takeStanding(); err != nil {
				return nil, err
			}
		}
		sizes, ids = sizes[n:], ids[length:]
	}
	if len(sizes) > 0 || len(c.Deltas) > 0 || len(c.Bases) > 0 {
		return nil, damaged("chunks of no frame, or bases")
	}
	return frames, nil
}
