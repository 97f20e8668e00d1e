package store_test

import (
	"errors"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestChooseRetired: a retired capture is passed over by all but its id, also where no other fits.
func TestChooseRetired(t *testing.T) {
	taken := func(day int) time.Time { return time.Date(2026, 3, day, 12, 0, 0, 0, time.UTC) }
	l := &store.Listing{Captures: []*store.Capture{
		{ID: "20260301t1200z-aaaa", Name: "seedbank", Version: "4.1.0", Host: "hazel", Taken: taken(1)},
		{ID: "20260302t1200z-aaab", Name: "seedbank", Version: "4.1.0", Host: "hazel", Taken: taken(2), Retired: &store.Retirement{}},
		{ID: "20260302t1100z-aaac", Name: "seedbank", Version: "4.0.0", Host: "hazel", Taken: taken(2), Retired: &store.Retirement{}},
		{ID: "20260303t1200z-aaad", Name: "herbarium", Version: "1", Host: "hazel", Taken: taken(3), Retired: &store.Retirement{}},
	}}
	for selector, want := range map[string]string{
		"latest":              "20260301t1200z-aaaa",
		"seedbank@latest":     "20260301t1200z-aaaa",
		"seedbank@4.1.0":      "20260301t1200z-aaaa",
		"seedbank@2026-03-01": "20260301t1200z-aaaa",
		"seedbank@2026-03-02": "",
		"seedbank@4.0.0":      "",
		"herbarium@latest":    "",
		"20260302t1200z-aaab": "20260302t1200z-aaab",
		"20260303t12":         "20260303t1200z-aaad",
		"20260303":            "20260303t1200z-aaad", // part of the id
	} {
		c, err := l.Choose(selector, store.ChooseOptions{Now: taken(15), Location: time.UTC})
		switch {
		case want == "" && !errors.Is(err, store.ErrNotFound):
			t.Errorf("%s: %v, %v", selector, c, err)
		case want != "" && (err != nil || c.ID != want):
			t.Errorf("%s: %v, %v: want %s", selector, c, err, want)
		}
	}
}
