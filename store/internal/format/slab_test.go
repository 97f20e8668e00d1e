package format

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
)

func TestHeaderRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := Header{
			Kind:     ObjectKind(rapid.Uint8Range(1, 3).Draw(t, "kind")),
			Wrapping: crypt.WrappingKind(rapid.Uint16().Draw(t, "wrapping")),
			Wrapped:  rapid.SliceOfN(rapid.Byte(), 0, maxWrapped).Draw(t, "wrapped"),
		}
		rest := rapid.SliceOf(rapid.Byte()).Draw(t, "rest")
		b := AppendHeader(nil, want)
		got, n, err := ParseHeader(append(bytes.Clone(b), rest...), want.Kind)
		if err != nil || n != len(b) || got.Kind != want.Kind || got.Wrapping != want.Wrapping || !bytes.Equal(got.Wrapped, want.Wrapped) {
			t.Fatalf("got %+v of %d bytes, %v", got, n, err)
		}
	})
}

func TestHeaderRefusals(t *testing.T) {
	tests := []struct {
		name   string
		at     int
		change []byte
		want   error
	}{
		{"nothing", 0, nil, nil},
		{"magic", 0, []byte("KIST"), ErrDamaged},
		{"magic and version", 0, []byte("nope\x01\x00\x07\x00"), ErrDamaged},
		{"version 0", 6, []byte{0, 0}, ErrUnknownVersion},
		{"version 2", 6, []byte{2, 0}, ErrUnknownVersion},
		{"version 257", 6, []byte{1, 1}, ErrUnknownVersion},
		{"version and kind", 4, []byte{9, 0, 2, 0}, ErrUnknownVersion},
		{"version and reserved bytes", 5, []byte{1, 2, 0}, ErrUnknownVersion},
		{"kind 0", 4, []byte{0}, ErrDamaged},
		{"kind of a table", 4, []byte{byte(Table)}, ErrDamaged},
		{"kind 200", 4, []byte{200}, ErrDamaged},
		{"reserved byte 5", 5, []byte{1}, ErrDamaged},
		{"reserved byte 12", 12, []byte{1}, ErrDamaged},
		{"reserved byte 15", 15, []byte{0x80}, ErrDamaged},
		{"wrapped key of 1025 bytes", 10, []byte{1, 4}, ErrDamaged},
		{"wrapped key of 65535 bytes", 10, []byte{255, 255}, ErrDamaged},
		{"an unknown wrapping is for who unwraps", 8, []byte{9, 9}, nil},
	}
	for _, test := range tests {
		b := AppendHeader(nil, Header{Kind: Slab, Wrapping: crypt.WrapXChaCha20Poly1305, Wrapped: make([]byte, crypt.WrappedSize)})
		b = append(b, make([]byte, 1<<17)...) // the whole of any length that is claimed
		copy(b[test.at:], test.change)
		_, _, err := ParseHeader(b, Slab)
		wantOnly(t, test.name, err, test.want)
	}
	b := AppendHeader(nil, Header{Kind: Slab, Wrapped: make([]byte, crypt.WrappedSize)})
	if len(b) != HeaderSize {
		t.Errorf("a header of %d bytes, want %d", len(b), HeaderSize)
	}
	for n := range b {
		_, _, err := ParseHeader(b[:n], Slab)
		wantOnly(t, fmt.Sprint("cut at ", n), err, ErrDamaged)
	}
}

// Every bit of the fixed part matters, but for the wrapping kind and the length
// of the key, which whoever unwraps it judges.
func TestHeaderBits(t *testing.T) {
	good := AppendHeader(nil, Header{Kind: Table, Wrapping: 1, Wrapped: make([]byte, crypt.WrappedSize)})
	for bit := range 8 * headerFixed {
		if at := bit / 8; at >= 8 && at < 12 {
			continue
		}
		b := bytes.Clone(good)
		b[bit/8] ^= 1 << (bit % 8)
		if _, _, err := ParseHeader(b, Table); err == nil {
			t.Errorf("bit %d changed and not noticed", bit)
		}
	}
}

func section(kind SectionKind, required bool, body string) []byte {
	return append(AppendSectionHead(nil, kind, required, len(body)), body...)
}

// findTable is FindSections for who has them all.
func findTable(b []byte) ([]byte, error) {
	s, err := FindSections(b, len(b))
	return s.Table, err
}

func TestFindTable(t *testing.T) {
	table := section(TableSection, true, "the table")
	huge := AppendSectionHead(nil, 7, false, 0)
	binary.LittleEndian.PutUint64(huge[8:], 1<<64-1)
	tests := []struct {
		name     string
		sections [][]byte
		want     error
	}{
		{"table", [][]byte{table}, nil},
		{"unknown one before", [][]byte{section(7, false, "parity"), table}, nil},
		{"unknown ones behind", [][]byte{table, section(7, false, "parity"), section(65535, false, "")}, nil},
		{"required one before", [][]byte{section(7, true, "parity"), table}, ErrUnknownPart},
		{"required one behind", [][]byte{table, section(7, true, "")}, ErrUnknownPart},
		{"none", nil, ErrDamaged},
		{"no table", [][]byte{section(7, false, "parity")}, ErrDamaged},
		{"too long", [][]byte{table, AppendSectionHead(nil, 7, false, 1)}, ErrDamaged},
		{"length of 2^64-1", [][]byte{table, huge}, ErrDamaged},
		{"required and cut short", [][]byte{table, AppendSectionHead(nil, 7, true, 1)}, ErrDamaged},
	}
	for _, test := range tests {
		got, err := findTable(bytes.Join(test.sections, nil))
		wantOnly(t, test.name, err, test.want)
		if err == nil && string(got) != "the table" {
			t.Errorf("%s: got %q", test.name, got)
		}
	}
	for n := range table {
		_, err := findTable(table[:n])
		wantOnly(t, fmt.Sprint("cut at ", n), err, ErrDamaged)
		if n > 0 {
			_, err = findTable(append(bytes.Clone(table), table[:n]...))
			wantOnly(t, fmt.Sprint("another one cut at ", n), err, ErrDamaged)
		}
	}
}

// TestSomeOfTheSections gives it the first of the sections alone: it says what is there as if it had them all, or
// that it needs more, and that only as long as it does.
func TestSomeOfTheSections(t *testing.T) {
	table := section(TableSection, true, "the table")
	for _, all := range [][]byte{
		slices.Concat(table, section(ParitySection, false, "parity of it")),
		slices.Concat(section(9, false, "something"), table, section(ParitySection, false, "parity of it")),
	} {
		want, err := FindSections(all, len(all))
		if err != nil || string(all[want.Parity.Off:][:want.Parity.Length]) != "parity of it" {
			t.Fatalf("%+v, %v", want, err)
		}
		needed := want.Parity.Off
		for n := range all {
			got, err := FindSections(all[:n], len(all))
			if n < needed {
				wantOnly(t, fmt.Sprint("of ", n), err, ErrMore)
			} else if err != nil || string(got.Table) != "the table" || got.Parity != want.Parity {
				t.Errorf("of %d: %+v, %v", n, got, err)
			}
		}
	}
}

func TestSectionReservedBytes(t *testing.T) {
	table := section(TableSection, true, "the table")
	for at := 4; at < 8; at++ {
		b := bytes.Clone(table)
		b[at] = 1
		_, err := findTable(b)
		wantOnly(t, fmt.Sprint("reserved byte ", at), err, ErrDamaged)
	}
}

// A slab has one table.
func TestSecondTable(t *testing.T) {
	table := section(TableSection, true, "the table")
	for _, required := range []bool{false, true} {
		_, err := findTable(append(bytes.Clone(table), section(TableSection, required, "another")...))
		wantOnly(t, fmt.Sprint("two tables, the second required: ", required), err, ErrDamaged)
	}
}

func TestTrailer(t *testing.T) {
	sealer, opener := testObject(t, Slab)
	want := Trailer{Sections: 4000, Length: 5000}
	good := AppendTrailer(nil, want, sealer)
	if len(good) != TrailerSize {
		t.Fatalf("a trailer of %d bytes, want %d", len(good), TrailerSize)
	}
	check := func(name string, b []byte, length int64, copies int, class error) {
		t.Helper()
		got, intact, err := ParseTrailer(b, length, opener)
		wantOnly(t, name, err, class)
		if err == nil && (got != want || intact != copies) {
			t.Errorf("%s: got %+v, %d copies", name, got, intact)
		}
	}
	check("intact", good, 5000, 2, nil)
	check("slab longer", good, 5001, 2, ErrDamaged)
	check("slab shorter", good, 4999, 2, ErrDamaged)
	check("slab of -1", good, -1, 2, ErrDamaged)
	check("one byte more", append(bytes.Clone(good), 0), 5000, 2, ErrDamaged)
	for i := range good {
		b := bytes.Clone(good)
		b[i] ^= 1
		check(fmt.Sprint("byte ", i, " changed"), b, 5000, 1, nil)
		b[(i+trailerCopy)%TrailerSize] ^= 1
		check(fmt.Sprint("byte ", i, " of both changed"), b, 5000, 0, ErrDamaged)
		check(fmt.Sprint("cut at ", i), good[:i], 5000, 0, ErrDamaged)
	}
	check("copies of another slab", AppendTrailer(nil, want, otherSealer(t)), 5000, 0, ErrDamaged)
}

func otherSealer(t *testing.T) *crypt.Sealer {
	sealer, _ := testObject(t, Slab)
	return sealer
}

func TestTrailerLimits(t *testing.T) {
	sealer, opener := testObject(t, Slab)
	least := uint64(headerFixed + TrailerSize)
	end := uint64(MaxSlab - TrailerSize)
	tests := []struct {
		name    string
		trailer Trailer
		want    error
	}{
		{"shortest", Trailer{headerFixed, least}, nil},
		{"longest", Trailer{end - MaxSection, MaxSlab}, nil},
		{"without sections", Trailer{end, MaxSlab}, nil},
		{"too short", Trailer{headerFixed, least - 1}, ErrDamaged},
		{"empty", Trailer{}, ErrDamaged},
		{"too long", Trailer{end, MaxSlab + 1}, ErrDamaged},
		{"of 2^63 bytes", Trailer{headerFixed, 1 << 63}, ErrDamaged},
		{"sections too long", Trailer{end - MaxSection - 1, MaxSlab}, ErrDamaged},
		{"sections within the header", Trailer{headerFixed - 1, least}, ErrDamaged},
		{"sections within the trailer", Trailer{end + 1, MaxSlab}, ErrDamaged},
		{"sections from 2^64-1 on", Trailer{1<<64 - 1, MaxSlab}, ErrDamaged},
	}
	for _, test := range tests {
		_, _, err := ParseTrailer(AppendTrailer(nil, test.trailer, sealer), int64(test.trailer.Length), opener)
		wantOnly(t, test.name, err, test.want)
	}
}
