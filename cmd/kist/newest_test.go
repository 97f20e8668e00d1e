package main

import (
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestNewestCaptures: of each name and host the one that was taken last, none that is retired or further ahead than clocks may
// differ; a name or a host that has none is not passed over in silence.
func TestNewestCaptures(t *testing.T) {
	now := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	ago := func(d time.Duration) time.Time { return now.Add(-d) }
	l := &store.Listing{Captures: []*store.Capture{
		{ID: "old", Name: "seedbank", Host: "hazel", Taken: ago(48 * time.Hour)},
		{ID: "new", Name: "seedbank", Host: "hazel", Taken: ago(time.Hour)},
		{ID: "again", Name: "seedbank", Host: "hazel", Taken: ago(time.Hour), Written: now}, // of one time: that was written last
		{ID: "gone", Name: "seedbank", Host: "hazel", Taken: ago(time.Minute), Retired: &store.Retirement{}},
		{ID: "ahead", Name: "seedbank", Host: "hazel", Taken: ago(-store.ClockTolerance - time.Second)},
		{ID: "alder", Name: "seedbank", Host: "alder", Taken: ago(72 * time.Hour)},
		{ID: "skewed", Name: "wiki", Host: "hazel", Taken: ago(-store.ClockTolerance)},
	}}
	for _, c := range []struct {
		names []string
		host  string
		want  []string
	}{
		{nil, "", []string{"again", "alder", "skewed"}},
		{nil, "hazel", []string{"again", "skewed"}},
		{[]string{"seedbank"}, "", []string{"again", "alder"}},
		{[]string{"seedbank"}, "alder", []string{"alder"}},
		{[]string{"wiki"}, "alder", nil},
		{[]string{"seedbank", "nosuch"}, "", nil},
		{[]string{"seedbank@latest"}, "", nil},
	} {
		found, err := newestCaptures(l, c.names, c.host, now)
		var got []string
		for _, capture := range found {
			got = append(got, capture.ID)
		}
		if !slices.Equal(got, c.want) || (err != nil) != (c.want == nil) {
			t.Errorf("%q of %q: %q, %v, want %q", c.names, c.host, got, err, c.want)
		}
	}
}
