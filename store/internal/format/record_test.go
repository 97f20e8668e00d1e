package format

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func TestIndexFileRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := genIndexFile().Draw(t, "index file")
		got, err := DecodeIndexFile(EncodeIndexFile(want))
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("got %+v, want %+v", got, want)
		}
	})
}

func TestSlabTableRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := &SlabTable{Frames: rapid.SliceOfN(genFrame(), 1, 5).Draw(t, "frames")}
		got, err := DecodeSlabTable(want.Encode())
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("got %+v, want %+v", got, want)
		}
	})
}

func TestSlabRecordRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := genSlabRecord().Draw(t, "record")
		got, err := DecodeSlabRecord(want.Encode())
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(got, want) {
			t.Fatalf("got %+v, want %+v", got, want)
		}
		for i, f := range got.Frames {
			for c := range f.Chunks {
				if id := f.ID(c); !bytes.Equal(id[:], want.Frames[i].IDs[16*c:16*c+16]) {
					t.Fatalf("identity %d of frame %d is %v", c, i, id)
				}
			}
		}
	})
}

func TestSealedIndexFileRoundTrip(t *testing.T) {
	sealer, opener := testObject(t, Capture)
	sealed := SealIndexFile([]byte("head"), sampleIndexFile(), sealer)[4:]
	got, err := OpenIndexFile(sealed, opener)
	if err != nil || !reflect.DeepEqual(got, sampleIndexFile()) {
		t.Fatalf("got %+v, %v", got, err)
	}
	for i := range sealed {
		changed := bytes.Clone(sealed)
		changed[i] ^= 0x10
		_, err := OpenIndexFile(changed, opener)
		wantOnly(t, fmt.Sprint("byte ", i, " changed"), err, ErrDamaged)
	}
	_, other := testObject(t, Capture)
	_, err = OpenIndexFile(sealed, other)
	wantOnly(t, "another object's key", err, ErrDamaged)
}

// A record that is cut short anywhere, or that goes on, is damaged.
func TestRecordLengths(t *testing.T) {
	for _, r := range records() {
		for n := range r.sample {
			_, err := r.again(r.sample[:n])
			wantOnly(t, fmt.Sprintf("%s cut at %d", r.name, n), err, ErrDamaged)
		}
		for _, more := range [][]byte{{0}, {0xf6}, r.sample} {
			_, err := r.again(append(bytes.Clone(r.sample), more...))
			wantOnly(t, fmt.Sprintf("%s and %d bytes more", r.name, len(more)), err, ErrDamaged)
		}
	}
}

// Every record refuses these, whatever its fields are. The items are written
// out by RFC 8949, section 3.
func TestRecordRefusals(t *testing.T) {
	tests := []struct {
		name string
		item []byte
		want error
	}{
		{"null", []byte{0xf6}, ErrDamaged},
		{"undefined", []byte{0xf7}, ErrDamaged},
		{"false", []byte{0xf4}, ErrDamaged},
		{"number", []byte{0x00}, ErrDamaged},
		{"text", []byte{0x60}, ErrDamaged},
		{"array", []byte{0x80}, ErrDamaged},
		{"empty map", []byte{0xa0}, ErrDamaged},
		{"tag around a map", []byte{0xc1, 0xa0}, ErrDamaged},
		{"self-described CBOR", []byte{0xd9, 0xd9, 0xf7, 0xa0}, ErrDamaged},
		{"map without end", []byte{0xbf, 0xff}, ErrDamaged},
		{"break alone", []byte{0xff}, ErrDamaged},
		{"reserved head", []byte{0x1c}, ErrDamaged},
		{"a value is missing", []byte{0xa1, 0x01}, ErrDamaged},
		{"map of 2^60 pairs", []byte{0xbb, 0x10, 0, 0, 0, 0, 0, 0, 0}, ErrDamaged},
		{"map of 2^64-1 pairs", []byte{0xbb, 255, 255, 255, 255, 255, 255, 255, 255}, ErrDamaged},
		{"array of 2^60 in field 1", []byte{0xa1, 0x01, 0x9b, 0x10, 0, 0, 0, 0, 0, 0, 0}, ErrDamaged},
		{"bytes of 2^60 in field 1", []byte{0xa1, 0x01, 0x5b, 0x10, 0, 0, 0, 0, 0, 0, 0}, ErrDamaged},
		{"deeply nested arrays", append(bytes.Repeat([]byte{0x81}, 100), 0x00), ErrDamaged},
		{"deeply nested in an unknown field", append([]byte{0xa1, 0x18, 99}, append(bytes.Repeat([]byte{0x81}, 100), 0x00)...), ErrDamaged},
		{"the same unknown field twice", []byte{0xa2, 0x18, 99, 0x00, 0x18, 99, 0x00}, ErrDamaged},
		{"a required field alone", []byte{0xa1, 0x22, 0x00}, ErrUnknownPart},
		{"a required field of null", []byte{0xa1, 0x22, 0xf6}, ErrUnknownPart},
	}
	for _, r := range records() {
		for _, test := range tests {
			_, err := r.again(test.item)
			wantOnly(t, r.name+": "+test.name, err, test.want)
		}
	}
}

// Unknown fields at any depth: with a key of zero or more they are skipped, and
// what is known reads as without them; with one below zero they are refused.
func TestUnknownFields(t *testing.T) {
	for _, r := range records() {
		depth := maps(generic(t, r.sample))
		if len(depth) < 2 && !r.flat {
			t.Fatalf("%s has %d maps", r.name, len(depth))
		}
		for i := range depth {
			for _, key := range []any{int64(0), int64(23), int64(255), int64(1 << 40), int64(1<<63 - 1)} {
				whole := generic(t, r.sample)
				maps(whole)[i][key] = map[any]any{int64(1): []any{int64(2), "three"}}
				got, err := r.again(deterministic(t, whole))
				if err != nil || !bytes.Equal(got, r.sample) {
					t.Errorf("%s, map %d, field %v: not skipped (%v)", r.name, i, key, err)
				}
			}
			for _, key := range []int64{-3, -24, -1 << 40, -1 << 63} {
				whole := generic(t, r.sample)
				maps(whole)[i][key] = int64(5)
				_, err := r.again(deterministic(t, whole))
				wantOnly(t, fmt.Sprintf("%s, map %d, field %d", r.name, i, key), err, ErrUnknownPart)
			}
		}
	}
}

// CBOR has whole numbers up to 2^64-1 and down to -2^64 (RFC 8949, section
// 3.1). The keys of fields that may be skipped fit in 63 bits, as FORMAT.md says.
func TestUnknownFieldsOfLargeKeys(t *testing.T) {
	tests := []struct {
		name string
		key  []byte
		want error
	}{
		{"2^63-1", []byte{0x1b, 127, 255, 255, 255, 255, 255, 255, 255}, nil},
		{"2^63", []byte{0x1b, 128, 0, 0, 0, 0, 0, 0, 0}, ErrDamaged},
		{"2^64-1", []byte{0x1b, 255, 255, 255, 255, 255, 255, 255, 255}, ErrDamaged},
		{"-2^63", []byte{0x3b, 127, 255, 255, 255, 255, 255, 255, 255}, ErrUnknownPart},
		{"-2^63-1", []byte{0x3b, 128, 0, 0, 0, 0, 0, 0, 0}, ErrDamaged},
	}
	for _, r := range records() {
		for _, test := range tests {
			_, err := r.again(withField(r.sample, test.key))
			wantOnly(t, r.name+": field "+test.name, err, test.want)
		}
	}
}

// withField gives a record with one field more, of the given encoded key.
func withField(record, key []byte) []byte {
	return slices.Concat([]byte{record[0] + 1}, record[1:], key, []byte{0})
}

// Whoever puts a required field into a record may change the others.
func TestRequiredFieldBesideChangedOnes(t *testing.T) {
	for _, r := range records() {
		for i, m := range maps(generic(t, r.sample)) {
			for key := range m {
				whole := generic(t, r.sample)
				maps(whole)[i][key] = []any{"changed"}
				whole[int64(-3)] = int64(1)
				_, err := r.again(deterministic(t, whole))
				wantOnly(t, fmt.Sprintf("%s, map %d, field %v", r.name, i, key), err, ErrUnknownPart)
			}
		}
	}
}

// A record's keys are whole numbers.
func TestKeysThatAreNoNumbers(t *testing.T) {
	for _, r := range records() {
		for _, key := range []any{"text", 1.5, true} {
			whole := generic(t, r.sample)
			whole[key] = int64(1)
			_, err := r.again(deterministic(t, whole))
			wantOnly(t, fmt.Sprintf("%s, field %v", r.name, key), err, ErrDamaged)
		}
	}
}

// maps gives the maps with whole numbers as keys in v, the outer ones first, in
// the order of keys.
func maps(v any) (all []map[any]any) {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			all = append(all, maps(e)...)
		}
	case map[any]any:
		all = append(all, v)
		for key := uint64(0); key < 32; key++ {
			if e, ok := v[key]; ok {
				all = append(all, maps(e)...)
			}
		}
		if _, text := v["shelf"]; text {
			return nil // the caller's labels
		}
	}
	return all
}

// A known field of the wrong type, or null, is damaged, at every depth, whether
// or not an unknown one is skipped beside it.
func TestWrongTypes(t *testing.T) {
	for _, r := range records() {
		for i, m := range maps(generic(t, r.sample)) {
			for key := range m {
				for _, value := range []any{nil, int64(-7), "no", 1.5, true, map[any]any{}, []any{[]any{}}, []any{nil}} {
					whole := generic(t, r.sample)
					if reflect.DeepEqual(maps(whole)[i][key], value) || allowed(r, key, value) {
						continue
					}
					maps(whole)[i][key] = value
					_, err := r.again(deterministic(t, whole))
					wantOnly(t, fmt.Sprintf("%s, map %d, field %v: %v", r.name, i, key, value), err, ErrDamaged)
				}
			}
		}
	}
}

// allowed tells of values that the format page allows: texts, truths, null for
// no runs and no frames.
func allowed(r record, key, value any) bool {
	if r.flat {
		return value == nil && key == uint64(1) || value == "no" && r.name != "batch" && key != uint64(1) // the time may be null
	}
	if value == nil {
		// Arrays and times that are empty stand as null.
		return r.name == "index file" && (key == uint64(2) || key == uint64(3) || key == uint64(9)) || key == uint64(1) && r.name == "slab table" || key == uint64(3) && r.name == "slab record"
	}
	_, text := value.(string)
	return r.name == "index file" && (text || value == true)
}

// Of two encodings of the same fields only the deterministic one is accepted.
func TestNondeterministicRecords(t *testing.T) {
	for _, r := range records() {
		tests := map[string][]byte{}
		head := r.sample[0]
		if head>>5 != 5 || head&31 >= 24 {
			t.Fatalf("%s begins with %x", r.name, head)
		}
		tests["long head of the map"] = append([]byte{0xb8, head & 31}, r.sample[1:]...)
		tests["longer head of the map"] = append([]byte{0xb9, 0, head & 31}, r.sample[1:]...)
		tests["long key"] = append([]byte{head, 0x18, r.sample[1]}, r.sample[2:]...)
		tests["map without end"] = append(append([]byte{0xbf}, r.sample[1:]...), 0xff)
		tests["tag"] = append([]byte{0xc1}, r.sample...)
		tests["tag in a field"] = append([]byte{head, r.sample[1], 0xc1}, r.sample[2:]...)
		for name, b := range tests {
			_, err := r.again(b)
			wantOnly(t, r.name+": "+name, err, ErrDamaged)
		}
	}
	// Keys out of order, and one of them twice: {2: …, 1: …}.
	table := sampleSlabRecord().Frames[0]
	inOrder := deterministic(t, map[any]any{1: [12]byte{}, 2: 9, 3: []TableFrame{table}})
	frames := inOrder[1+2+12+2:]
	id := append([]byte{0x01, 0x4c}, make([]byte, 12)...)
	for name, b := range map[string][]byte{
		"out of order":  bytes.Join([][]byte{{0xa3, 0x02, 0x09}, id, frames}, nil),
		"twice":         bytes.Join([][]byte{{0xa4}, id, {0x02, 0x09}, {0x02, 0x09}, frames}, nil),
		"twice, unlike": bytes.Join([][]byte{{0xa4}, id, {0x02, 0x08}, {0x02, 0x09}, frames}, nil),
	} {
		_, err := DecodeSlabRecord(b)
		wantOnly(t, name, err, ErrDamaged)
	}
}

// Lengths that break a rule of the format page, each in a record that is
// otherwise valid.
func TestRecordLimits(t *testing.T) {
	frame := func(sealed uint32, chunks ...uint32) error {
		table := SlabTable{Frames: []Frame{{Kind: Zstd, Sealed: sealed, Chunks: chunks}}}
		_, err := DecodeSlabTable(table.Encode())
		record := SlabRecord{Frames: []TableFrame{{Kind: Zstd, Sealed: sealed, Chunks: chunks, IDs: make([]byte, 16*len(chunks))}}}
		if _, err2 := DecodeSlabRecord(record.Encode()); (err == nil) != (err2 == nil) {
			return fmt.Errorf("a slab's table says %v, a record %v", err, err2)
		}
		return err
	}
	many := func(n int) []uint32 { return bytesOf(n) }
	wantOnly(t, "longest frame", frame(MaxFrameSealed, MaxChunk, MaxChunk), nil)
	wantOnly(t, "most chunks", frame(1, many(MaxFrameChunks)...), nil)
	wantOnly(t, "sealed 0", frame(0, 1), ErrDamaged)
	wantOnly(t, "sealed too long", frame(MaxFrameSealed+1, 1), ErrDamaged)
	wantOnly(t, "no chunks", frame(1), ErrDamaged)
	wantOnly(t, "empty chunk", frame(1, 1, 0), ErrDamaged)
	wantOnly(t, "chunk too long", frame(1, MaxChunk+1), ErrDamaged)
	wantOnly(t, "chunk of 4 GiB", frame(1, 1<<32-1), ErrDamaged)
	wantOnly(t, "raw too long", frame(1, MaxChunk, MaxChunk, 1), ErrDamaged)
	wantOnly(t, "too many chunks", frame(1, many(MaxFrameChunks+1)...), ErrDamaged)

	whole := SlabTable{Frames: make([]Frame, MaxSlabChunks/MaxFrameChunks)}
	for i := range whole.Frames {
		whole.Frames[i] = Frame{Kind: Zstd, Sealed: 1, Chunks: many(MaxFrameChunks)}
	}
	_, err := DecodeSlabTable(whole.Encode())
	wantOnly(t, "most chunks in a slab", err, nil)
	whole.Frames = append(whole.Frames, Frame{Kind: Zstd, Sealed: 1, Chunks: many(1)})
	_, err = DecodeSlabTable(whole.Encode())
	wantOnly(t, "too many chunks in a slab", err, ErrDamaged)

	for _, n := range []int{0, 15, 17, 32} {
		r := SlabRecord{Frames: []TableFrame{{Kind: Zstd, Sealed: 1, Chunks: many(1), IDs: make([]byte, n)}}}
		_, err := DecodeSlabRecord(r.Encode())
		wantOnly(t, fmt.Sprint(n, " bytes of identities"), err, ErrDamaged)
	}
}

func bytesOf(n int) []uint32 {
	ones := make([]uint32, n)
	for i := range ones {
		ones[i] = 1
	}
	return ones
}

func TestIndexFileLimits(t *testing.T) {
	tests := []struct {
		name   string
		change func(*Volume)
		want   error
	}{
		{"nothing", func(v *Volume) {}, nil},
		{"highest level", func(v *Volume) { v.MemberList.Level = MaxRecipeLevel }, nil},
		{"no contents", func(v *Volume) { v.Contents = nil }, nil},
		{"no runs", func(v *Volume) { v.MemberList.Runs = nil }, nil},
		{"last chunk of a slab", func(v *Volume) { v.Contents.Runs[0] = Run{First: MaxSlabChunks - 1, Count: 1, Times: 1} }, nil},
		{"most runs", func(v *Volume) { v.Contents.Runs = slices.Repeat(v.Contents.Runs[:1], MaxInlineRuns) }, nil},
		{"too many runs", func(v *Volume) { v.Contents.Runs = slices.Repeat(v.Contents.Runs[:1], MaxInlineRuns+1) }, ErrDamaged},
		{"level", func(v *Volume) { v.MemberList.Level = MaxRecipeLevel + 1 }, ErrDamaged},
		{"level of the contents", func(v *Volume) { v.Contents.Level = 1 << 31 }, ErrDamaged},
		{"short sum", func(v *Volume) { v.SHA256 = v.SHA256[:31] }, ErrDamaged},
		{"long sum", func(v *Volume) { v.SHA256 = make([]byte, 33) }, ErrDamaged},
		{"run of no chunks", func(v *Volume) { v.Contents.Runs[0].Count = 0 }, ErrDamaged},
		{"run no times", func(v *Volume) { v.Contents.Runs[1].Times = 0 }, ErrDamaged},
		{"run several times", func(v *Volume) { v.Contents.Runs[0].Times = 2 }, ErrDamaged},
		{"run beyond a slab", func(v *Volume) { v.Contents.Runs[0].First = MaxSlabChunks - 2 }, ErrDamaged},
		{"run that overflows", func(v *Volume) { v.MemberList.Runs[0].First, v.MemberList.Runs[0].Count = 1<<32-1, 1<<32-1 }, ErrDamaged},
	}
	for _, test := range tests {
		f := sampleIndexFile()
		v := &f.Volumes[0]
		v.Contents.Runs = append([]Run(nil), v.Contents.Runs...)
		v.MemberList.Runs = append([]Run(nil), v.MemberList.Runs...)
		test.change(v)
		_, err := DecodeIndexFile(EncodeIndexFile(f))
		wantOnly(t, test.name, err, test.want)
	}
}

func TestSlabID(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		id := genSlabID().Draw(t, "id")
		if got, err := ParseSlabID(id.String()); err != nil || got != id {
			t.Fatalf("got %v, %v", got, err)
		}
	})
	for _, s := range []string{"", "00", "0123456789abcdef0123456", "0123456789abcdef012345670", "0123456789ABCDEF01234567", "0123456789abcdef0123456g", "0123456789abcdef01234567 "} {
		_, err := ParseSlabID(s)
		wantOnly(t, s, err, ErrDamaged)
	}
	if one, other := NewSlabID(), NewSlabID(); one == other {
		t.Error("the same identity twice")
	}
}
