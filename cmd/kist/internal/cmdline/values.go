package cmdline

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

const day = 24 * time.Hour

// Duration reads a time span as 90m, 36h, 7d or 2w: one whole number and its unit.
// (time.ParseDuration knows no days, and takes fractions, signs and seconds.)
func Duration(s string) (time.Duration, error) {
	unit := time.Duration(0)
	number := s
	for suffix, d := range map[string]time.Duration{"m": time.Minute, "h": time.Hour, "d": day, "w": 7 * day} {
		if n, ok := strings.CutSuffix(s, suffix); ok {
			number, unit = n, d
		}
	}
	n, err := strconv.ParseUint(number, 10, 32)
	if s != "0" && unit == 0 || err != nil || n > 0 && unit > math.MaxInt64/time.Duration(n) {
		return 0, fmt.Errorf("%q: write it as 90m, 36h, 7d or 2w", s)
	}
	return time.Duration(n) * unit, nil
}

// Never is a patience without end.
const Never = "never"

// Patience reads how long something is waited for, as 90s, 2m or 1h; 0 for never to give up.
func Patience(s string) (time.Duration, error) {
	if s == Never {
		return 0, nil
	}
	d, err := time.ParseDuration(s)
	if err != nil || d <= 0 {
		return 0, fmt.Errorf("%q: write it as 90s, 2m or 1h, or %s", s, Never)
	}
	return d, nil
}

// Share reads 5% or 0.05, the value of a flag.
func Share(flag, s string) (float64, error) {
	number, percent := strings.CutSuffix(s, "%")
	f, err := strconv.ParseFloat(number, 64)
	if percent {
		f /= 100
	}
	if err != nil || !(f > 0 && f <= 1) {
		return 0, Usagef("--%s %q: write it as 5%% or 0.05, more than 0 and at most 100%%", flag, s)
	}
	return f, nil
}

// Labels reads the values of --label.
func Labels(pairs []string) (map[string]string, error) {
	labels := make(map[string]string)
	for _, pair := range pairs {
		key, value, ok := strings.Cut(pair, "=")
		if _, twice := labels[key]; !ok || key == "" || twice {
			return nil, Usagef("--label %q: it must be KEY=VALUE, each key once", pair)
		}
		labels[key] = value
	}
	return labels, nil
}

// timeLayouts are what --taken may look like, besides RFC 3339.
var timeLayouts = []string{time.DateOnly, "2006-01-02 15:04", time.DateTime, "2006-01-02T15:04", "2006-01-02T15:04:05"}

// zoneLayouts are the same with a zone, as kist prints times.
var zoneLayouts = []string{"2006-01-02 15:04 MST", "2006-01-02 15:04 -0700", "2006-01-02 15:04 -07"}

// zonedTime reads a time with a zone. An abbreviation is UTC's or one of this machine's zone at that
// time: others mean several zones.
func zonedTime(s string) (time.Time, bool) {
	for _, layout := range zoneLayouts {
		t, err := time.ParseInLocation(layout, s, time.Local)
		if err == nil && (t.Location() == time.UTC || t.In(time.Local).Format(layout) == s || !strings.HasSuffix(layout, "MST")) {
			return t, true
		}
	}
	return time.Time{}, false
}

// Time reads a time, of this machine's zone where it names none.
func Time(s string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	if t, ok := zonedTime(s); ok {
		return t, nil
	}
	for _, layout := range append([]string{time.RFC3339}, timeLayouts...) {
		t, err := time.ParseInLocation(layout, s, time.Local)
		if err == nil {
			return t, nil
		}
		// Of the right form, and of no time that there is (time.ParseError tells by its text alone).
		var wrong *time.ParseError
		if errors.As(err, &wrong) && strings.Contains(wrong.Message, "out of range") {
			return time.Time{}, Usagef("time %q: there is no such time%s", s, strings.Replace(wrong.Message, ":", ",", 1))
		}
	}
	return time.Time{}, Usagef("time %q: write it as 2026-03-14, \"2026-03-14 02:03\", with UTC or this machine's zone behind that, or as 2026-03-14T02:03:00Z", s)
}

// GoDuration refuses what a flag of the kind cli.DurationFlag does not take: 60s, 5m.
func GoDuration(s string) error {
	if d, err := time.ParseDuration(s); err != nil || d < 0 {
		return fmt.Errorf("%q: write it as 60s or 5m", s)
	}
	return nil
}
