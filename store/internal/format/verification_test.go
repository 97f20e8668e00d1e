package format

import (
	"encoding/hex"
	"testing"
	"time"
)

// TestSupersedes holds which marks a new one makes superfluous: damage stands until one that would have found
// it finds none.
func TestSupersedes(t *testing.T) {
	type v = VerificationRecord
	const l, s, f = ExtentListed, ExtentSample, ExtentFull
	for _, test := range []struct {
		name     string
		now, old v
		want     bool
	}{
		{"the same again", v{Extent: l}, v{Extent: l}, true},
		{"a deeper one", v{Extent: f}, v{Extent: s}, true},
		{"a shallower one", v{Extent: l}, v{Extent: s}, false},
		{"some do not stand for all", v{Extent: f, Some: true}, v{Extent: l}, false},
		{"all stand for some", v{Extent: l}, v{Extent: l, Some: true}, true},
		{"damage of the same depth, gone", v{Extent: l}, v{Extent: l, Damaged: 1}, true},
		{"damage that is still there", v{Extent: l, Damaged: 2}, v{Extent: l, Damaged: 1}, true},
		{"damage where there was none", v{Extent: s, Damaged: 2}, v{Extent: s}, true},
		{"another sample", v{Extent: s}, v{Extent: s, Damaged: 1}, false},
		{"a sample opened it", v{Extent: f}, v{Extent: s, Damaged: 1}, true},
		{"only the tables were looked at", v{Extent: l}, v{Extent: f, Damaged: 1}, false},
		{"in full", v{Extent: f}, v{Extent: f, Damaged: 1}, true},
		{"other captures", v{Extent: f, Some: true}, v{Extent: f, Some: true, Damaged: 1}, false},
		{"of some, and now of all", v{Extent: f}, v{Extent: f, Some: true, Damaged: 1}, true},
		{"a later release", v{Extent: l}, v{Extent: "later"}, true},
		{"by a later release", v{Extent: "later"}, v{Extent: s}, false},
	} {
		if got := test.now.Supersedes(&test.old); got != test.want {
			t.Errorf("%s: %t", test.name, got)
		}
	}
}

// The bytes of a record, worked out by hand from RFC 8949, section 3.
func TestVerificationBytes(t *testing.T) {
	record := &VerificationRecord{
		Ended: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), Host: "hazel", Extent: ExtentFull, Captures: 3, Damaged: 1, Took: 1500, Read: 65536, Some: true,
	}
	const want = "a8" + "01" + "74" + "323032362d30332d31345430323a30333a30305a" + "02" + "65" + "68617a656c" + "03" + "64" + "66756c6c" +
		"05" + "03" + "06" + "01" + "07" + "1905dc" + "08" + "1a00010000" + "09" + "f5"
	if got := hex.EncodeToString(encode(record)); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	for name, bad := range map[string]string{
		"a share below zero": "a601" + "74323032362d30332d31345430323a30333a30305a" + "0364" + "66756c6c" + "0420" + "0503" + "071905dc" + "0800",
		"no map":             "8101",
		"some is a number":   "a601" + "74323032362d30332d31345430323a30333a30305a" + "0364" + "66756c6c" + "0503" + "071905dc" + "0800" + "0901",
	} {
		b, err := hex.DecodeString(bad)
		if err != nil {
			t.Fatal(name, err)
		}
		if got, err := decodeMark[VerificationRecord](b); err == nil {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
