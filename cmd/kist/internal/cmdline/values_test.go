package cmdline

import (
	"maps"
	"strings"
	"testing"
	"time"
)

func TestDuration(t *testing.T) {
	for in, want := range map[string]time.Duration{
		"0": 0, "0d": 0, "90m": 90 * time.Minute, "36h": 36 * time.Hour, "7d": 7 * 24 * time.Hour, "2w": 14 * 24 * time.Hour,
	} {
		if got, err := Duration(in); err != nil || got != want {
			t.Errorf("%q: %v, %v, not %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "7", "d", "-1d", "1.5d", "7 d", "1w2d", "10s", "5ms", "+1h", "0x1h", "1_0h", "4294967295w", "99999999999999999999h"} {
		if got, err := Duration(in); err == nil {
			t.Errorf("%q: %v", in, got)
		}
	}
}

func TestTime(t *testing.T) {
	for in, want := range map[string]time.Time{
		"2026-03-14T02:03:04Z":           time.Date(2026, 3, 14, 2, 3, 4, 0, time.UTC),
		"2026-03-14T02:03:04+02:00":      time.Date(2026, 3, 14, 0, 3, 4, 0, time.UTC),
		"2026-03-14T02:03:04.5Z":         time.Date(2026, 3, 14, 2, 3, 4, 500e6, time.UTC),
		"2026-03-14":                     time.Date(2026, 3, 14, 0, 0, 0, 0, time.Local),
		"2026-03-14 02:03":               time.Date(2026, 3, 14, 2, 3, 0, 0, time.Local),
		"2026-03-14 02:03:04":            time.Date(2026, 3, 14, 2, 3, 4, 0, time.Local),
		"2026-03-14T02:03":               time.Date(2026, 3, 14, 2, 3, 0, 0, time.Local),
		"2026-03-14 02:03 UTC":           time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC),
		"2026-03-14 02:03 +0200":         time.Date(2026, 3, 14, 0, 3, 0, 0, time.UTC),
		"2026-03-14T02:03:04.123456789Z": time.Date(2026, 3, 14, 2, 3, 4, 123456789, time.UTC),
	} {
		if got, err := Time(in); err != nil || !got.Equal(want) {
			t.Errorf("%q: %v, %v, not %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "yesterday", "2026-02-30", "14.03.2026", "2026-03-14 25:00"} {
		if got, err := Time(in); !isUsage(err) {
			t.Errorf("%q: %v, %v", in, got, err)
		}
	}
	for in, want := range map[string]string{
		"2026-02-30": "no such time, day", "2026-13-01": "no such time, month", "2026-03-14 25:00": "no such time, hour",
		"2026-02-30T00:00:00Z": "no such time, day", "14.03.2026": "write it as",
	} {
		if _, err := Time(in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, not %q", in, err, want)
		}
	}
}

// TestTimeOfZone: a time with an abbreviation is of this machine's zone, at that time of the year, or
// none. The zone is as its POSIX string, CET-1CEST, says.
func TestTimeOfZone(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip(err)
	}
	defer func(was *time.Location) { time.Local = was }(time.Local)
	time.Local = berlin
	for in, want := range map[string]string{
		"2026-03-14 02:03 CET":  "2026-03-14T01:03:00Z",
		"2026-07-14 02:03 CEST": "2026-07-14T00:03:00Z",
		"2026-07-14 02:03 UTC":  "2026-07-14T02:03:00Z",
		"2026-07-14 02:03 CET":  "",
		"2026-07-14 02:03 EST":  "",
		"2026-07-14 02:03 XYZ":  "",
	} {
		got, err := Time(in)
		if want == "" && !isUsage(err) || want != "" && (err != nil || got.UTC().Format(time.RFC3339) != want) {
			t.Errorf("%q: %v, %v, not %q", in, got, err, want)
		}
	}
}

func TestShare(t *testing.T) {
	for in, want := range map[string]float64{"5%": 0.05, "0.05": 0.05, "100%": 1, "1": 1, "0.5%": 0.005} {
		if got, err := Share("sample", in); err != nil || got != want {
			t.Errorf("%q: %v, %v, not %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "%", "0", "-1%", "5", "101%", "NaN", "Inf", "5 percent"} {
		if got, err := Share("sample", in); !isUsage(err) {
			t.Errorf("%q: %v, %v", in, got, err)
		}
	}
}

func TestLabels(t *testing.T) {
	got, err := Labels([]string{"a=1", "b=", "c=x=y"})
	if want := map[string]string{"a": "1", "b": "", "c": "x=y"}; err != nil || !maps.Equal(got, want) {
		t.Errorf("%v, %v", got, err)
	}
	for _, in := range [][]string{{"a"}, {"=1"}, {"a=1", "a=1"}} {
		if got, err := Labels(in); !isUsage(err) {
			t.Errorf("%q: %v, %v", in, got, err)
		}
	}
}
