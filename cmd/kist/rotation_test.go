package main

import (
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// TestWrongClock: a capture that was written before there was a repository stays,
// and an old tarball that was taken in since is like any other.
func TestWrongClock(t *testing.T) {
	made := time.Date(2026, 1, 14, 0, 0, 0, 0, time.UTC)
	day := func(year int, month time.Month, day int) time.Time {
		return time.Date(year, month, day, 2, 3, 0, 0, time.UTC)
	}
	captures := []*store.Capture{
		{ID: "reset", Taken: time.Unix(0, 0), Written: time.Unix(30, 0)},
		{ID: "imported", Taken: day(2024, 6, 1), Written: day(2026, 1, 15)},
		{ID: "slow", Taken: day(2026, 1, 13), Written: made.Add(-clockTolerance)},
		{ID: "newest", Taken: day(2026, 2, 14), Written: day(2026, 2, 14)},
	}
	p := &retirement{captures: make(map[string]*store.Capture)}
	for _, c := range captures {
		p.captures[c.ID] = c
	}
	if err := p.byRules(captures, rotation.Rules{Last: 1}, time.UTC, made); err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"reset": "clock", "imported": "", "slow": "", "newest": "newest, last 1 of 1"}
	for _, d := range p.decisions {
		if d.Why.String() != want[d.ID] || d.Keep != (want[d.ID] != "") {
			t.Errorf("%s: %v, %q, not %q", d.ID, d.Keep, d.Why, want[d.ID])
		}
	}
	if texts := p.oddDates(); len(texts) != 1 {
		t.Errorf("warnings: %q", texts)
	}
}
