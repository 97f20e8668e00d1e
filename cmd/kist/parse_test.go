package main

import (
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

func TestParseAverage(t *testing.T) {
	for in, want := range map[string]int{"16KiB": 16 << 10, "8 KiB": 8 << 10, "1MiB": 1 << 20, "65536": 64 << 10} {
		if got, err := parseAverage(in); err != nil || got != want {
			t.Errorf("%q: %d, %v, not %d", in, got, err, want)
		}
	}
	for _, in := range []string{"", "16kB", "4KiB", "2MiB", "-16KiB", "17KiB", "99999999999999999999"} {
		if got, err := parseAverage(in); statusOf(err) != statusUsage {
			t.Errorf("%q: %d, %v", in, got, err)
		}
	}
}

func TestParseGrace(t *testing.T) {
	for in, want := range map[string]time.Duration{"0": store.NoGrace, "0w": store.NoGrace, "1m": time.Minute, "7d": 7 * 24 * time.Hour} {
		if got, err := parseGrace(in); err != nil || got != want {
			t.Errorf("reclaim --grace %q: %v, %v, not %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "0", "0d", "7"} {
		if got, err := parseSetupGrace(in); statusOf(err) != statusUsage {
			t.Errorf("setup --grace %q: %v, %v", in, got, err)
		}
	}
	if _, err := parseGrace("7"); statusOf(err) != statusUsage {
		t.Error(err)
	}
}
