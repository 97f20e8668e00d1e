package format

import (
	"encoding/hex"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
)

func sampleElsewhere() *ElsewhereRecord {
	return &ElsewhereRecord{
		Made: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), Host: "hazel",
		Captures: []string{"20260314t0203z-k7f3", "20260314t0203z-k7f3"}, Hashes: []crypt.Digest{{1}, {}},
	}
}

// The bytes of the records, worked out by hand from RFC 8949, section 3.
func TestPlaceBytes(t *testing.T) {
	const made = "01" + "74" + "323032362d30332d31345430323a30333a30305a" + "02" + "65" + "68617a656c"
	const id, zeros = "73" + "323032363033313474303230337a2d6b376633", "0000000000000000000000000000000000000000000000000000000000000000"
	if got := hex.EncodeToString(encode(&PlaceRecord{Made: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), Host: "hazel"})); got != "a2"+made {
		t.Errorf("got %s", got)
	}
	want := "a4" + made + "03" + "82" + id + id + "04" + "82" + "5820" + "01" + zeros[2:] + "5820" + zeros
	if got := hex.EncodeToString(encode(sampleElsewhere())); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	for name, bad := range map[string]string{
		"no captures":     "a4" + made + "03" + "80" + "04" + "80",
		"a hash too few":  "a4" + made + "03" + "82" + id + id + "04" + "81" + "5820" + zeros,
		"a short hash":    "a4" + made + "03" + "81" + id + "04" + "81" + "4100",
		"without hashes":  "a3" + made + "03" + "81" + id,
		"a required part": "a5" + made + "03" + "81" + id + "04" + "81" + "5820" + zeros + "2000",
	} {
		b, err := hex.DecodeString(bad)
		if err != nil {
			t.Fatal(name, err)
		}
		if got, err := decodeMark[ElsewhereRecord](b); err == nil {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
