package format

import (
	"bytes"
	"slices"
	"testing"
)

func TestStanding(t *testing.T) {
	base := Base{Slab: SlabID{1}, First: 5, Count: 2}
	good := func() Frame {
		return Frame{Kind: Delta, Sealed: 100, Chunks: []uint32{7}, Standing: Standing{Depth: 1, Copies: 84, Bases: []Base{base}}}
	}
	tests := []struct {
		name   string
		change func(*Frame)
		want   error
	}{
		{"good", func(*Frame) {}, nil},
		{"as deep as may be", func(f *Frame) { f.Depth = MaxDepth }, nil},
		{"many bases", func(f *Frame) { f.Bases = slices.Repeat(f.Bases, MaxBases) }, nil},
		{"the last chunk of the longest slab", func(f *Frame) { f.Bases[0].First = MaxSlabChunks - 2 }, nil},
		{"too deep", func(f *Frame) { f.Depth = MaxDepth + 1 }, ErrDamaged},
		{"of no depth", func(f *Frame) { f.Depth = 0 }, ErrDamaged},
		{"no bases", func(f *Frame) { f.Bases = nil }, ErrDamaged},
		{"too many bases", func(f *Frame) { f.Bases = slices.Repeat(f.Bases, MaxBases+1) }, ErrDamaged},
		{"bases in many slabs", func(f *Frame) { f.Bases = basesIn(MaxBaseFrames) }, nil},
		{"bases in more slabs than they may have frames", func(f *Frame) { f.Bases = basesIn(MaxBaseFrames + 1) }, ErrDamaged},
		{"an empty base", func(f *Frame) { f.Bases[0].Count = 0 }, ErrDamaged},
		{"a base longer than a frame", func(f *Frame) { f.Bases[0].Count = MaxFrameChunks + 1 }, ErrDamaged},
		{"a base behind every slab", func(f *Frame) { f.Bases[0].First = MaxSlabChunks - 1 }, ErrDamaged},
		{"a base that overflows", func(f *Frame) { f.Bases[0].First = 1<<32 - 1 }, ErrDamaged},
		{"no copies", func(f *Frame) { f.Copies = 0 }, ErrDamaged},
		{"copies longer than the frame", func(f *Frame) { f.Copies = 85 }, ErrDamaged},
		{"a frame of nothing", func(f *Frame) { f.Sealed, f.Copies = 3, 1 }, ErrDamaged},
		{"padding", func(f *Frame) { f.Padding = true }, ErrDamaged},
		{"of a frame that stands alone", func(f *Frame) { f.Kind = Zstd }, ErrDamaged},
		{"only a depth of such a frame", func(f *Frame) { f.Kind, f.Bases, f.Copies = Zstd, nil, 0 }, ErrDamaged},
		{"only copies of such a frame", func(f *Frame) { f.Kind, f.Bases, f.Depth = Zstd, nil, 0 }, ErrDamaged},
		{"of a frame of a later kind", func(f *Frame) { f.Kind, f.Depth, f.Copies = 3, 9, 999 }, nil},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			f := good()
			f.Bases = slices.Clone(f.Bases)
			test.change(&f)
			_, err := DecodeSlabTable((&SlabTable{Frames: []Frame{f}}).Encode())
			wantOnly(t, "a table", err, test.want)
			listed := f.Listed()
			listed.IDs = make([]byte, 16)
			_, err = DecodeSlabRecord((&SlabRecord{Length: 1, Frames: []TableFrame{listed}}).Encode())
			wantOnly(t, "a record", err, test.want)
		})
	}
}

// basesIn gives bases in so many slabs, two in each.
func basesIn(slabs int) (bases []Base) {
	for i := range 2 * slabs {
		bases = append(bases, Base{Slab: SlabID{byte(i % slabs)}, First: uint32(i), Count: 1})
	}
	return bases
}

// Who does not know bases, or that a capture needs some, must not go on: the keys are below zero (FORMAT.md, section 1).
func TestRequiredFields(t *testing.T) {
	table := SlabTable{Frames: []Frame{{Kind: Delta, Sealed: 100, Chunks: []uint32{7}, Standing: Standing{Depth: 1, Copies: 9, Bases: []Base{{Slab: SlabID{1}, Count: 1}}}}}}
	frame := generic(t, table.Encode())[uint64(1)].([]any)[0].(map[any]any)
	if frame[int64(-1)] == nil {
		t.Errorf("bases are not in field -1: %v", frame)
	}
	file := sampleIndexFile()
	file.Deltas = true
	if got := generic(t, EncodeIndexFile(file)); got[int64(-2)] != true {
		t.Errorf("the need of bases is not in field -2: %v", got)
	}
	// Where they do not belong, they are as unknown as all others.
	whole := generic(t, EncodeIndexFile(sampleIndexFile()))
	whole[int64(-1)] = int64(1)
	_, err := DecodeIndexFile(deterministic(t, whole))
	wantOnly(t, "field -1 of an index file", err, ErrUnknownPart)
}

func TestBaseSlabs(t *testing.T) {
	own, a, b := SlabID{9}, SlabID{1}, SlabID{2}
	frames := []Frame{{}, {Standing: Standing{Bases: []Base{{Slab: a}, {Slab: own}, {Slab: b}}}}, {Standing: Standing{Bases: []Base{{Slab: b}}}}}
	r := &SlabRecord{Slab: own}
	for i := range frames {
		r.Frames = append(r.Frames, frames[i].Listed())
	}
	if got, want := BaseSlabs(own, frames), []SlabID{a, b}; !slices.Equal(got, want) || !slices.Equal(r.BaseSlabs(), want) || !r.HasDeltas() {
		t.Errorf("%v and %v, want %v", got, r.BaseSlabs(), want)
	}
}

// A copy on a writer's machine says of deltas all that the table says.
func TestTableCopyOfDeltas(t *testing.T) {
	records := []*SlabRecord{sampleSlabRecord(), sampleSlabRecord()}
	var pieces [][]byte
	EncodeTableCopy(records, func(b []byte) { pieces = append(pieces, bytes.Clone(b)) })
	var got []*SlabRecord
	for _, p := range pieces {
		var err error
		if got, err = DecodeTableCopy(got, p); err != nil {
			t.Fatal(err)
		}
	}
	for i, r := range records {
		if i >= len(got) || !bytes.Equal(got[i].Encode(), r.Encode()) {
			t.Errorf("record %d is another one", i)
		}
	}
}
