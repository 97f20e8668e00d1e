package format

import (
	"encoding/hex"
	"errors"
	"testing"
	"time"
)

// The bytes of a record, worked out by hand from RFC 8949, section 3.
func TestRehearsalBytes(t *testing.T) {
	record := &RehearsalRecord{
		Ended: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), Host: "hazel", Fault: "ended", Took: 1500, Outcome: OutcomeDown, Checked: []string{"bean"},
	}
	const want = "a6" + "01" + "74" + "323032362d30332d31345430323a30333a30305a" + "02" + "65" + "68617a656c" + "03" + "65" + "656e646564" +
		"04" + "1905dc" + "05" + "64" + "646f776e" + "06" + "81" + "64" + "6265616e"
	if got := hex.EncodeToString(encode(record)); got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	for _, hostile := range []string{
		"a301" + "74" + "323032362d30332d31345430323a30333a30305a" + "04" + "1bffffffffffffffff" + "05" + "62" + "7570", // 2^64-1 ms
	} {
		b, _ := hex.DecodeString(hostile)
		got, err := decodeMark[RehearsalRecord](b)
		if err != nil || got.Took != 1<<64-1 {
			t.Errorf("%+v, %v", got, err)
		}
	}
	for name, bad := range map[string]string{
		"took below zero":  "a30174323032362d30332d31345430323a30333a30305a0420056175",
		"no map":           "81" + "01",
		"a checked number": "a40174323032362d30332d31345430323a30333a30305a04000562757006810" + "1",
	} {
		b, err := hex.DecodeString(bad)
		if err != nil {
			t.Fatal(name, err)
		}
		if got, err := decodeMark[RehearsalRecord](b); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}
