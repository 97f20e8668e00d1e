package format

import (
	"reflect"
	"slices"
	"testing"

	"github.com/fxamacker/cbor/v2"
	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
)

// TestHash makes the hash of a capture as the format page says it: of the record as
// maps and arrays, without fields 1 and 2 of each recipe and without unknown fields.
func TestHash(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		f := genIndexFile().Draw(rt, "index file")
		if rapid.Bool().Draw(rt, "seen") {
			r := genRecipe().Draw(rt, "recipe of captures seen")
			f.Seen = &r
		}
		whole := generic(t, EncodeIndexFile(f))
		whole[int64(90)] = "later"
		again, err := DecodeIndexFile(deterministic(t, whole))
		if err != nil {
			rt.Fatal(err)
		}
		delete(whole, int64(90))
		volumes, _ := whole[uint64(9)].([]any)
		recipes := []any{whole[uint64(11)]}
		for _, v := range volumes {
			for key := uint64(10); key <= 13; key++ {
				recipes = append(recipes, v.(map[any]any)[key])
			}
		}
		for _, r := range recipes {
			if r, ok := r.(map[any]any); ok {
				delete(r, uint64(1))
				delete(r, uint64(2))
			}
		}
		want := crypt.HashCapture(deterministic(t, whole))
		if f.Hash() != want || again.Hash() != want {
			rt.Fatalf("%s, with an unknown field %s, want %s", f.Hash(), again.Hash(), want)
		}
	})
}

// TestHashOverGenerations changes one thing at a time: what generations change alone
// leaves the hash as it is.
func TestHashOverGenerations(t *testing.T) {
	was := sampleIndexFile().Hash()
	moved := sampleIndexFile()
	moved.Volumes[0].MemberList.Level, moved.Volumes[0].MemberList.Runs = 3, nil
	moved.Volumes[0].Contents.Runs = slices.Clone(moved.Volumes[0].Contents.Runs[1:])
	if moved.Hash() != was {
		t.Error("it changed when chunks were moved")
	}
	for name, change := range map[string]func(*IndexFile){
		"id":       func(f *IndexFile) { f.ID += "x" },
		"name":     func(f *IndexFile) { f.Name = "" },
		"contents": func(f *IndexFile) { f.Volumes[0].Contents.Digest[0]++ },
		"list":     func(f *IndexFile) { f.Volumes[0].MemberList.Chunks++ },
		"warnings": func(f *IndexFile) { f.Volumes[0].Warnings = []string{"a socket"} },
		"stamps":   func(f *IndexFile) { f.Volumes[0].Stamps = &Recipe{} },
		"states":   func(f *IndexFile) { f.Volumes[0].States = &Recipe{} },
		"previous": func(f *IndexFile) { f.Previous = nil },
		"seen":     func(f *IndexFile) { f.Seen = &Recipe{} },
		"added":    func(f *IndexFile) { f.Added++ },
	} {
		f := sampleIndexFile()
		change(f)
		if f.Hash() == was {
			t.Errorf("%s: the hash is the same", name)
		}
	}
}

// TestHashedFields sees to it that no field of a record is forgotten: one that is added
// is part of the hash, or left out for a reason.
func TestHashedFields(t *testing.T) {
	for _, pair := range []struct{ record, hashed any }{
		{IndexFile{}, hashedFile{}}, {Volume{}, hashedVolume{}}, {Recipe{}, hashedRecipe{}},
	} {
		var got []string
		record, hashed := reflect.TypeOf(pair.record), reflect.TypeOf(pair.hashed)
		for i := range record.NumField() {
			h, ok := hashed.FieldByName(record.Field(i).Name)
			if !ok {
				got = append(got, record.Field(i).Name)
			} else if h.Tag != record.Field(i).Tag {
				t.Errorf("%s: %s and %s", h.Name, h.Tag, record.Field(i).Tag)
			}
		}
		want := map[string][]string{"Recipe": {"Level", "Runs"}, "IndexFile": {"Amended", "Padding", "Deltas"}, "Volume": {"Order"}}[record.Name()]
		if !slices.Equal(got, want) {
			t.Errorf("%s: the hash leaves out %v, want %v", record.Name(), got, want)
		}
	}
}

// TestBatchHashes has as many hashes as captures, or none.
func TestBatchHashes(t *testing.T) {
	for n, want := range map[int]error{0: nil, 1: ErrDamaged, 2: nil, 3: ErrDamaged} {
		b := &BatchRecord{Captures: []string{"20260314t0203z-k7f3", "20260314t0203z-k7f4"}, Hashes: make([]crypt.Digest, n)}
		got, err := decodeMark[BatchRecord](encode(b))
		wantOnly(t, "a batch", err, want)
		if err == nil && len(got.Hashes) != n {
			t.Errorf("%d hashes, want %d", len(got.Hashes), n)
		}
	}
	for _, size := range []int{0, 31, 33} {
		b, err := cbor.Marshal(map[int]any{1: "2026-03-14T02:03:00Z", 3: []string{"20260314t0203z-k7f3"}, 5: [][]byte{make([]byte, size)}})
		if err != nil {
			t.Fatal(err)
		}
		whole := generic(t, b)
		_, err = decodeMark[BatchRecord](deterministic(t, whole))
		wantOnly(t, "a hash of another length", err, ErrDamaged)
	}
}
