package format

import (
	"bytes"
	"testing"
)

// TestManyItems has records claim more items than they can need: what they would
// take once decoded is many times their length.
func TestManyItems(t *testing.T) {
	tests := []struct {
		name   string
		record []byte
		decode func([]byte) ([]byte, error)
	}{
		{"volumes of an index file", append([]byte{0xa1, 0x09, 0x9a, 0, 0x10, 0, 0}, bytes.Repeat([]byte{0xa0}, 1<<20)...), againIndexFile},
		{"volumes few enough to count", append([]byte{0xa1, 0x09, 0x9a, 0, 1, 0, 1}, bytes.Repeat([]byte{0xa0}, 1<<16+1)...), againIndexFile},
		{"an unknown field of an index file", append([]byte{0xa1, 0x18, 90, 0x9a, 0, 0x10, 0, 0}, bytes.Repeat([]byte{0xa0}, 1<<20)...), againIndexFile},
		{"an unknown field of a table", append([]byte{0xa1, 0x18, 90, 0x9a, 3, 0, 0, 0}, bytes.Repeat([]byte{0xa0}, 48<<20)...), againSlabRecord},
		{"slabs of a batch", append([]byte{0xa1, 0x02, 0x9a, 3, 0, 0, 0}, bytes.Repeat([]byte{0xa0}, 48<<20)...), againMark[BatchRecord]},
	}
	for _, test := range tests {
		took := testing.AllocsPerRun(1, func() {
			_, err := test.decode(test.record)
			wantOnly(t, test.name, err, ErrDamaged)
		})
		if took > 100_000 {
			t.Errorf("%s: %.0f allocations", test.name, took)
		}
	}
}

// TestItems counts the items of records that are whole, or cut short.
func TestItems(t *testing.T) {
	for _, r := range records() {
		if err := checkItems(r.sample, len(r.sample)); err != nil {
			t.Errorf("%s: %v", r.name, err)
		}
		if err := checkItems(r.sample, 3); err == nil {
			t.Errorf("%s has 3 items at most", r.name)
		}
	}
	// RFC 8949, appendix A: examples, with their numbers of items.
	for _, example := range []struct {
		b []byte
		n int
	}{
		{[]byte{0x00}, 1}, {[]byte{0x18, 0x64}, 1}, {[]byte{0x1b, 0, 0, 0, 0xe8, 0xd4, 0xa5, 0x10, 0}, 1},
		{[]byte{0x44, 1, 2, 3, 4}, 1}, {[]byte{0x83, 1, 2, 3}, 4}, {[]byte{0x83, 0x01, 0x82, 0x02, 0x03, 0x82, 0x04, 0x05}, 8},
		{[]byte{0xa2, 0x61, 0x61, 0x01, 0x61, 0x62, 0x82, 0x02, 0x03}, 7}, {[]byte{0xfb, 0x3f, 0xf1, 0x99, 0x99, 0x99, 0x99, 0x99, 0x9a}, 1},
	} {
		if checkItems(example.b, example.n) != nil || checkItems(example.b, example.n-1) == nil {
			t.Errorf("%x has %d items", example.b, example.n)
		}
	}
}
