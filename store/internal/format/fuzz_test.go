package format

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
)

// fuzzAgain decodes b and encodes what it got. Where nothing was skipped, the
// result must be b; where something was, it must be the same every time from
// then on.
func fuzzAgain(t *testing.T, b []byte, again func([]byte) ([]byte, error)) {
	once, err := again(b)
	if err != nil {
		if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnknownPart) {
			t.Fatalf("an error of no class: %v", err)
		}
		return
	}
	if bytes.Equal(once, b) {
		return
	}
	if !skips(b) {
		t.Fatalf("%x decodes and encodes as %x", b, once)
	}
	if twice, err := again(once); err != nil || !bytes.Equal(once, twice) {
		t.Fatalf("%x encodes as %x, and that as %x (%v)", b, once, twice, err)
	}
}

// skips tells whether some record lacks a field of b.
func skips(b []byte) bool {
	c := newCodec()
	for _, v := range []any{new(IndexFile), new(SlabTable), new(SlabRecord), new(MarkRecord), new(LeaseRecord), new(BatchRecord), new(RehearsalRecord), new(VerificationRecord), new(PlaceRecord), new(ElsewhereRecord), new(SettingsRecord)} {
		if err := c.strict.Unmarshal(b, v); err != nil && strings.Contains(err.Error(), "unknown field") {
			return true
		}
	}
	return false
}

// seedRecord adds a record, and some that are nearly it.
func seedRecord(f *testing.F, b []byte) {
	f.Add(b)
	f.Add(b[:len(b)-1])
	whole := generic(f, b)
	whole[int64(90)] = map[any]any{int64(1): "later"}
	f.Add(deterministic(f, whole))
	whole[int64(-1)] = nil
	f.Add(deterministic(f, whole))
	f.Add([]byte{0xa1, 0x01, 0x9b, 0x10, 0, 0, 0, 0, 0, 0, 0})
	f.Add([]byte{0xf6})
}

func FuzzIndexFile(f *testing.F) {
	seedRecord(f, EncodeIndexFile(sampleIndexFile()))
	f.Fuzz(func(t *testing.T, b []byte) {
		fuzzAgain(t, b, againIndexFile)
		if r, err := DecodeIndexFile(b); err == nil {
			if again, err := decodeIndexFile(b, true); err != nil || !reflect.DeepEqual(again, r) {
				t.Fatalf("read again: %+v, %v", again, err)
			}
		}
	})
}

func FuzzSlabTable(f *testing.F) {
	seedRecord(f, sampleSlabTable().Encode())
	seedRecord(f, sampleSlabTable().EncodePadded())
	f.Fuzz(func(t *testing.T, b []byte) {
		fuzzAgain(t, b, againSlabTable)
		if table, err := DecodeSlabTable(b); err == nil {
			for i := range table.Frames {
				if n := table.Frames[i].Raw(); n <= 0 || n > MaxFrameRaw {
					t.Fatalf("a frame of %d bytes", n)
				}
			}
		}
	})
}

func FuzzSlabRecord(f *testing.F) {
	seedRecord(f, sampleSlabRecord().Encode())
	seedRecord(f, sampleSlabRecord().EncodePadded())
	f.Fuzz(func(t *testing.T, b []byte) {
		fuzzAgain(t, b, againSlabRecord)
		if r, err := DecodeSlabRecord(b); err == nil {
			for i := range r.Frames {
				for c := range r.Frames[i].Chunks {
					r.Frames[i].ID(c)
				}
			}
		}
	})
}

func FuzzTrailer(f *testing.F) {
	const length = 10000
	sealer, opener := testObject(f, Slab)
	good := AppendTrailer(nil, Trailer{Sections: 9000, Length: length}, sealer)
	f.Add(uint64(9000), uint64(length), 0, byte(0), int64(length))
	f.Add(uint64(9000), uint64(length), 70, byte(1), int64(length))
	f.Add(uint64(9000), uint64(length), 0, byte(0), int64(-1))
	f.Add(uint64(1<<63), uint64(1<<63), 3, byte(0), int64(-1<<63))
	f.Add(uint64(0), uint64(0), len(good), byte(9), int64(0))
	f.Fuzz(func(t *testing.T, sections, written uint64, at int, change byte, length int64) {
		want := Trailer{Sections: sections, Length: written}
		b := AppendTrailer(nil, want, sealer)
		if at >= 0 && at < len(b) {
			b[at] ^= change
		}
		if at == len(b) {
			b = b[:len(b)-int(change)%len(b)]
		}
		got, intact, err := ParseTrailer(b, length, opener)
		if err != nil {
			if !errors.Is(err, ErrDamaged) {
				t.Fatal(err)
			}
			return
		}
		// One change harms one copy at most.
		if got != want || intact < 1 || length < HeaderSize-72 || uint64(length) != written || length > MaxSlab {
			t.Fatalf("got %+v, %d copies, for %+v in a slab of %d", got, intact, want, length)
		}
		if end := uint64(length - int64(TrailerSize)); got.Sections > end || end-got.Sections > MaxSection {
			t.Fatalf("sections from %d on in a slab of %d", got.Sections, length)
		}
	})
}

func FuzzHeader(f *testing.F) {
	good := AppendHeader(nil, Header{Kind: Slab, Wrapping: 1, Wrapped: make([]byte, crypt.WrappedSize)})
	f.Add(good, byte(Slab))
	f.Add(append(good, "frames"...), byte(Slab))
	f.Add(good[:headerFixed], byte(Slab))
	f.Add(AppendHeader(nil, Header{Kind: Capture, Wrapping: 7, Wrapped: make([]byte, maxWrapped)}), byte(Capture))
	f.Add([]byte("kist"), byte(Table))
	f.Fuzz(func(t *testing.T, b []byte, kind byte) {
		h, n, err := ParseHeader(b, ObjectKind(kind))
		if err != nil {
			if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnknownVersion) {
				t.Fatal(err)
			}
			return
		}
		if n > MaxHeader || !bytes.Equal(AppendHeader(nil, h), b[:n]) {
			t.Fatalf("%x decodes as %+v of %d bytes", b, h, n)
		}
	})
}

func FuzzSections(f *testing.F) {
	table := append(AppendSectionHead(nil, TableSection, true, 5), "table"...)
	f.Add(table)
	f.Add(append(AppendSectionHead(nil, 9, false, 0), table...))
	f.Add(append(table, AppendSectionHead(nil, 9, true, 0)...))
	f.Add(AppendSectionHead(nil, TableSection, true, 1<<62))
	f.Add(table[:7])
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := findTable(b)
		switch {
		case err != nil && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnknownPart):
			t.Fatal(err)
		case err == nil && (!bytes.Contains(b, got) || cap(got) != len(got)):
			t.Fatalf("found %x in %x", got, b)
		}
	})
}

func FuzzEntries(f *testing.F) {
	e := NewEntryEncoder()
	good := append(e.Encode(Entry{Kind: 1, Header: make([]byte, 512), Length: 9, Chunks: 2}), e.Encode(Entry{Header: []byte{0}})...)
	f.Add(good)
	f.Add(good[:len(good)-1])
	f.Add([]byte{0x84, 0, 0x5b, 0x10, 0, 0, 0, 0, 0, 0, 0})
	f.Add(bytes.Repeat([]byte{0x81}, 40))
	f.Add(make([]byte, 100))
	f.Fuzz(func(t *testing.T, b []byte) {
		r := NewEntryReader(bytes.NewReader(b))
		fuzzSequence(t, b, func() ([]byte, error) {
			entry, err := r.Next()
			return e.Encode(entry), err
		})
	})
}

func FuzzRuns(f *testing.F) {
	good := appendRuns(nil, Run{First: 3, Count: 4, Times: 1}, Run{First: 3, Count: 1, Times: 1 << 31})
	f.Add(good)
	f.Add(good[:len(good)-1])
	f.Add([]byte{0x84, 0x4c})
	f.Add(bytes.Repeat([]byte{0x81}, 40))
	f.Add(bytes.Repeat([]byte{0xf6}, 4))
	f.Fuzz(func(t *testing.T, b []byte) {
		r := NewRunReader(bytes.NewReader(b))
		fuzzSequence(t, b, func() ([]byte, error) {
			run, err := r.Next()
			if err == nil && (run.Len() == 0 || uint64(run.First)+uint64(run.Count) > MaxSlabChunks) {
				t.Fatalf("%+v", run)
			}
			return appendRuns(nil, run), err
		})
	})
}

// fuzzSequence reads until an error comes. What is read encodes as what was there.
func fuzzSequence(t *testing.T, b []byte, next func() ([]byte, error)) {
	var again []byte
	for len(again) <= len(b) {
		item, err := next()
		if err == nil {
			again = append(again, item...)
			continue
		}
		if err != io.EOF && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrUnknownPart) {
			t.Fatalf("an error of no class: %v", err)
		}
		if !bytes.HasPrefix(b, again) || err == io.EOF && len(again) != len(b) {
			t.Fatalf("%x decodes and encodes as %x", b, again)
		}
		return
	}
	t.Fatalf("more items than the %d bytes hold", len(b))
}

// A fuzz target without seeds tests nothing in ordinary runs, and says nothing.
func TestFuzzTargetsHaveSeeds(t *testing.T) {
	files, err := filepath.Glob("*_test.go")
	if err != nil {
		t.Fatal(err)
	}
	target := regexp.MustCompile(`(?ms)^func (Fuzz\w+)\(.*?^}`)
	found := 0
	for _, file := range files {
		source, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range target.FindAllSubmatch(source, -1) {
			found++
			seeds, err := filepath.Glob(filepath.Join("testdata", "fuzz", string(m[1]), "*"))
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Contains(m[0], []byte("f.Add(")) && !bytes.Contains(m[0], []byte("seedRecord(f,")) && len(seeds) == 0 {
				t.Errorf("%s has no seeds", m[1])
			}
		}
	}
	if found < 8 {
		t.Errorf("%d fuzz targets found, want 8", found)
	}
}

func FuzzMark(f *testing.F) {
	for _, r := range records() {
		seedRecord(f, r.sample)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		fuzzAgain(t, b, againMark[MarkRecord])
		fuzzAgain(t, b, againMark[LeaseRecord])
		fuzzAgain(t, b, againMark[BatchRecord])
		fuzzAgain(t, b, againMark[RehearsalRecord])
		fuzzAgain(t, b, againMark[VerificationRecord])
		fuzzAgain(t, b, againMark[PlaceRecord])
		fuzzAgain(t, b, againMark[SettingsRecord])
		fuzzAgain(t, b, againMark[ElsewhereRecord])
	})
}
