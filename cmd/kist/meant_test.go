package main

import (
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// TestNearCapture: what was mistyped is asked for, of ids, names, versions.
func TestNearCapture(t *testing.T) {
	l := &store.Listing{Captures: []*store.Capture{
		{ID: "20260314t0203z-k7f3", Name: "seedbank", Version: "4.1.0"},
		{ID: "20260414t0203z-a1b2", Name: "seedbank", Version: "4.2.0"},
		{ID: "20260415t0203z-a1b2", Name: "beds"},
		{ID: "20260416t0203z-a1b2", Name: "gone", Version: "1", Retired: &store.Retirement{}},
	}}
	for typed, want := range map[string]string{
		"seedbank": "seedbank@latest", "sedbank": "seedbank@latest", "seedbnak@4.1.0": "seedbank@4.1.0", "seedbank@4.1.1": "seedbank@4.1.0",
		"seedbank@lastest": "seedbank@latest", "20260314t0203z-k7f2": "20260314t0203z-k7f3", "20260314t0302": "20260314t0203z-k7f3",
		"lastest": "latest", "gone": "", "frobnicate": "", "beds@9": "", "seedbank@4.2": "seedbank@4.2.0", "seedbank@4": "seedbank@4.2.0", "gone@1": "", "2026": "", "nothing@latest": "",
	} {
		if got := nearCapture(l, typed); got != want {
			t.Errorf("%q: %q, not %q", typed, got, want)
		}
	}
	if got := meantCapture(l, "latest"); got != "" {
		t.Error(got)
	}
	if got := meantCapture(l, "lastest"); got != "; did you mean latest?" {
		t.Error(got)
	}
	if got := retiredOf(l, "gone@1"); !strings.HasPrefix(got, ": 20260416t0203z-a1b2 is of that version, and retired") {
		t.Error(got)
	}
	for _, typed := range []string{"gone@2", "gone", "seedbank@4.1.0"} {
		if got := retiredOf(l, typed); got != "" {
			t.Errorf("%s: %s", typed, got)
		}
	}
	if got := meantHost(&store.Listing{Captures: []*store.Capture{{Host: "hazel"}}}, "hazle"); got != "; did you mean hazel?" {
		t.Error(got)
	}
	if got := meantSlot([]store.Slot{{ID: "3f9a1122"}}, "3f9b"); got != "; did you mean 3f9a1122?" {
		t.Error(got)
	}
}
