package files

import (
	"encoding/json"
	"reflect"
	"strings"
	"testing"
	"time"
)

type exactSample struct {
	Place string                 `json:"place"`
	All   []string               `json:"all,omitempty"`
	Kept  map[string]string      `json:"kept,omitempty"`
	Trees map[string]exactSample `json:"trees,omitempty"`
	Began time.Time              `json:"began"`
	Watch time.Duration          `json:"watch,omitempty"`
}

// The byte 0xe9 is é in ISO 8859-1, and no UTF-8 by itself.
func exactSamples() []exactSample {
	began := time.Date(2026, 3, 14, 2, 3, 5, 0, time.UTC)
	const bad = "/srv/caf\xe9"
	return []exactSample{
		{Place: "/srv/seedbank", All: []string{"a", "é"}, Began: began, Watch: time.Minute},
		{Place: bad, All: []string{bad, "", "\x00", "\x00QQ=="}, Began: began},
		{Kept: map[string]string{bad: bad + ".before", "/srv/caf\xe8": "x"}, Began: began},
		{Trees: map[string]exactSample{bad: {Place: bad, Began: began}}, Began: began},
	}
}

func TestExact(t *testing.T) {
	for _, want := range exactSamples() {
		b, err := MarshalExact(want)
		if err != nil {
			t.Fatal(err)
		}
		var got exactSample
		if err := UnmarshalExact(b, &got); err != nil || !reflect.DeepEqual(got, want) {
			t.Errorf("%s: %+q, not %+q: %v", b, got, want, err)
		}
	}
}

// TestExactPlain: what is UTF-8 is written as by encoding/json, so that notes of earlier releases are read, and theirs of ours;
// one that has to hold other bytes gives them no path that could be.
func TestExactPlain(t *testing.T) {
	sample := exactSamples()
	plain, err := json.Marshal(sample[0])
	if got, _ := MarshalExact(sample[0]); err != nil || string(got) != string(plain) {
		t.Errorf("%s, not %s", got, plain)
	}
	coded, err := MarshalExact(sample[1])
	if err != nil {
		t.Fatal(err)
	}
	var got exactSample
	if err := json.Unmarshal(coded, &got); err != nil || !strings.HasPrefix(got.Place, "\x00") {
		t.Errorf("%q, %v", got.Place, err)
	}
}
