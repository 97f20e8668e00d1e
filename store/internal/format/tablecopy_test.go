package format

import (
	"bytes"
	"errors"
	"reflect"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
)

func drawRecords(t *rapid.T) []*SlabRecord {
	var records []*SlabRecord
	for range rapid.SampledFrom([]int{1, 2, 3, 40, 5000}).Draw(t, "slabs") {
		r := &SlabRecord{Slab: NewSlabID(), Length: uint64(len(records)) << 7, Frames: []TableFrame{}}
		for range len(records) % 3 {
			f := TableFrame{Kind: Zstd, Sealed: uint32(1 + len(records)), Chunks: []uint32{}}
			for range 1 + len(records)%5 {
				id := NewSlabID()
				f.Chunks = append(f.Chunks, uint32(1+len(records)*13%MaxChunk))
				f.IDs = append(append(f.IDs, id[:]...), 1, 2, 3, 4)
			}
			f.Padding = len(r.Frames) > 0
			r.Frames = append(r.Frames, f)
		}
		if len(records)%2 == 1 {
			r.Group = bytes.Repeat([]byte{byte(1 + len(records)%250)}, 16)
		}
		records = append(records, r)
	}
	return records
}

func decodeCopy(pieces [][]byte) (records []*SlabRecord, err error) {
	for _, p := range pieces {
		if records, err = DecodeTableCopy(records, p); err != nil {
			return nil, err
		}
	}
	return records, nil
}

func TestTableCopyRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		records := drawRecords(t)
		var pieces [][]byte
		EncodeTableCopy(records, func(b []byte) { pieces = append(pieces, b) })
		if len(records) > copyChunks && len(pieces) == 1 {
			t.Fatalf("%d slabs in one piece", len(records))
		}
		holds := make([]map[SlabID]bool, len(pieces)) // by piece
		for i, piece := range pieces {
			one, err := DecodeTableCopy(nil, piece)
			if err != nil {
				t.Fatal(err)
			}
			holds[i] = make(map[SlabID]bool, len(one))
			for _, r := range one {
				holds[i][r.Slab] = true
			}
		}
		of := CopyPieces(records)
		for i, r := range records {
			if !holds[of[i]][r.Slab] {
				t.Fatalf("record %d is not in piece %d of %d", i, of[i], len(pieces))
			}
		}
		got, err := decodeCopy(pieces)
		if err != nil || len(got) != len(records) {
			t.Fatalf("%d records, %v", len(got), err)
		}
		for i := range got {
			if !bytes.Equal(got[i].Encode(), records[i].Encode()) {
				t.Fatalf("record %d: %+v, not %+v", i, got[i], records[i])
			}
		}
	})
}

// Columns that do not fit each other, or hold what no slab can, are refused.
func TestTableCopyRefuses(t *testing.T) {
	for name, change := range map[string]func(*slabColumns){
		"half an identity of a slab": func(p *slabColumns) { p.Slabs = p.Slabs[:6] },
		"a length less":              func(p *slabColumns) { p.Lengths = p.Lengths[:0] },
		"no number of frames":        func(p *slabColumns) { p.Frames = nil },
		"fewer frames":               func(p *slabColumns) { p.Frames[0] = 1 },
		"more frames":                func(p *slabColumns) { p.Frames[0] = 4 },
		"a delta less":               func(p *slabColumns) { p.Deltas = nil },
		"a delta more":               func(p *slabColumns) { p.Deltas = append(p.Deltas, p.Deltas...) },
		"more bases":                 func(p *slabColumns) { p.Deltas[8]++ },
		"fewer bases":                func(p *slabColumns) { p.Deltas[8]-- },
		"very many bases":            func(p *slabColumns) { p.Deltas[11] = 255 },
		"half a base":                func(p *slabColumns) { p.Bases = p.Bases[:len(p.Bases)-6] },
		"a delta that is none":       func(p *slabColumns) { p.Kinds[8] = 1 },
		"a depth of none":            func(p *slabColumns) { p.Deltas[0] = 0 },
		"very many frames":           func(p *slabColumns) { p.Frames[3] = 255 },
		"a kind less":                func(p *slabColumns) { p.Kinds = p.Kinds[4:] },
		"a number of chunks less":    func(p *slabColumns) { p.Chunks = p.Chunks[4:] },
		"fewer chunks":               func(p *slabColumns) { p.Chunks[0]-- },
		"more chunks":                func(p *slabColumns) { p.Chunks[0] += 2 },
		"a chunk's length less":      func(p *slabColumns) { p.Sizes = p.Sizes[4:] },
		"half a chunk's length":      func(p *slabColumns) { p.Sizes = p.Sizes[2:] },
		"an identity less":           func(p *slabColumns) { p.IDs = p.IDs[len(crypt.Identity{}):] },
		"an empty frame":             func(p *slabColumns) { clear(p.Sealed) },
		"a group less":               func(p *slabColumns) { p.Groups = nil },
		"a padding less":             func(p *slabColumns) { p.Pads = p.Pads[1:] },
		"half padding":               func(p *slabColumns) { p.Pads[1] = 2 },
		"padding in front":           func(p *slabColumns) { p.Pads[0] = 1 },
		"a chunk of no bytes":        func(p *slabColumns) { clear(p.Sizes) },
	} {
		var p slabColumns
		p.add(sampleSlabRecord())
		change(&p)
		if got, err := DecodeTableCopy(nil, encode(&p)); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

func FuzzTableCopy(f *testing.F) {
	EncodeTableCopy([]*SlabRecord{sampleSlabRecord(), {Slab: SlabID{1}, Length: 9}}, func(b []byte) { f.Add(b) })
	f.Add([]byte{0x8c, 0x40, 0x40, 0x40, 0x40, 0x40, 0x40, 0x40, 0x40, 0x40, 0x40, 0x40, 0x40})
	f.Add([]byte{0xf6})
	f.Fuzz(func(t *testing.T, b []byte) {
		records, err := DecodeTableCopy(nil, b)
		if err != nil {
			if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnknownVersion) {
				t.Fatal(err)
			}
			return
		}
		for _, r := range records {
			again, err := DecodeSlabRecord(r.Encode())
			if err != nil || again.Slab != r.Slab || len(again.Frames) != len(r.Frames) {
				t.Fatalf("%+v gives %+v, %v", r, again, err)
			}
			for i := range r.Frames {
				if !reflect.DeepEqual(again.Frames[i].Chunks, r.Frames[i].Chunks) || !bytes.Equal(again.Frames[i].IDs, r.Frames[i].IDs) {
					t.Fatalf("frame %d: %+v gives %+v", i, r.Frames[i], again.Frames[i])
				}
			}
		}
	})
}

func BenchmarkDecodeTableCopy(b *testing.B) {
	var records []*SlabRecord
	for range 1000 {
		records = append(records, sampleSlabRecord())
	}
	var pieces [][]byte
	EncodeTableCopy(records, func(p []byte) { pieces = append(pieces, p) })
	b.ReportAllocs()
	for b.Loop() {
		if _, err := decodeCopy(pieces); err != nil {
			b.Fatal(err)
		}
	}
}
