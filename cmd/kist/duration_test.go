package main

import (
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

func TestParseDuration(t *testing.T) {
	for in, want := range map[string]time.Duration{
		"0": 0, "0d": 0, "90m": 90 * time.Minute, "36h": 36 * time.Hour, "7d": 7 * 24 * time.Hour, "2w": 14 * 24 * time.Hour,
	} {
		if got, err := parseDuration(in); err != nil || got != want {
			t.Errorf("%q: %v, %v, not %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "7", "d", "-1d", "1.5d", "7 d", "1w2d", "10s", "5ms", "+1h", "0x1h", "1_0h", "4294967295w", "99999999999999999999h"} {
		if got, err := parseDuration(in); err == nil {
			t.Errorf("%q: %v", in, got)
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
