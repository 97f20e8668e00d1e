package store_test

import (
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestBefore finds what a capture is to be compared with.
func TestBefore(t *testing.T) {
	f := newFixture(t)
	day := func(n int) time.Time { return time.Date(2026, 3, n, 2, 3, 0, 0, time.UTC) }
	take := func(name, host string, n int) *store.Capture {
		c, err := f.Capture(t.Context(), store.CaptureOptions{
			Name: name, Host: host, Taken: day(n), Volumes: []store.VolumeInput{stream([]byte("bean"))},
		})
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	first, second := take("seedbank", "hazel", 1), take("seedbank", "hazel", 5)
	take("seedbank", "mill", 7)
	take("dump", "hazel", 8)
	third := take("seedbank", "hazel", 9)
	if err := f.Retire(t.Context(), []string{third.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, host string
		taken      time.Time
		want       *store.Capture
	}{
		{"seedbank", "hazel", day(10), second},
		{"seedbank", "hazel", day(5), second},
		{"seedbank", "hazel", day(4), first},
		{"seedbank", "hazel", day(1).Add(-time.Second), nil},
		{"seedbank", "", day(10), nil},
		{"", "hazel", day(10), nil},
	} {
		got, err := f.Before(t.Context(), c.name, c.host, c.taken)
		switch {
		case err != nil:
			t.Error(err)
		case (got == nil) != (c.want == nil) || got != nil && got.ID != c.want.ID:
			t.Errorf("%q, %q, %v: %+v, not %+v", c.name, c.host, c.taken, got, c.want)
		}
	}
	if err := f.Reinstate(t.Context(), []string{third.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	if got, err := f.Before(t.Context(), "seedbank", "hazel", day(10)); err != nil || got.ID != third.ID || got.Volumes[0].Members != 1 {
		t.Errorf("%+v, %v", got, err)
	}
}
