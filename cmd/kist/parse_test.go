package main

import (
	"maps"
	"testing"
	"time"
)

func TestParseTime(t *testing.T) {
	for in, want := range map[string]time.Time{
		"2026-03-14T02:03:04Z":           time.Date(2026, 3, 14, 2, 3, 4, 0, time.UTC),
		"2026-03-14T02:03:04+02:00":      time.Date(2026, 3, 14, 0, 3, 4, 0, time.UTC),
		"2026-03-14T02:03:04.5Z":         time.Date(2026, 3, 14, 2, 3, 4, 500e6, time.UTC),
		"2026-03-14":                     time.Date(2026, 3, 14, 0, 0, 0, 0, time.Local),
		"2026-03-14 02:03":               time.Date(2026, 3, 14, 2, 3, 0, 0, time.Local),
		"2026-03-14 02:03:04":            time.Date(2026, 3, 14, 2, 3, 4, 0, time.Local),
		"2026-03-14T02:03":               time.Date(2026, 3, 14, 2, 3, 0, 0, time.Local),
		"2026-03-14T02:03:04.123456789Z": time.Date(2026, 3, 14, 2, 3, 4, 123456789, time.UTC),
	} {
		if got, err := parseTime(in); err != nil || !got.Equal(want) {
			t.Errorf("%q: %v, %v, not %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "yesterday", "2026-02-30", "14.03.2026", "2026-03-14 25:00"} {
		if got, err := parseTime(in); statusOf(err) != statusUsage {
			t.Errorf("%q: %v, %v", in, got, err)
		}
	}
}

func TestParseShare(t *testing.T) {
	for in, want := range map[string]float64{"5%": 0.05, "0.05": 0.05, "100%": 1, "1": 1, "0.5%": 0.005} {
		if got, err := parseShare("sample", in); err != nil || got != want {
			t.Errorf("%q: %v, %v, not %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "%", "0", "-1%", "5", "101%", "NaN", "Inf", "5 percent"} {
		if got, err := parseShare("sample", in); statusOf(err) != statusUsage {
			t.Errorf("%q: %v, %v", in, got, err)
		}
	}
}

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

func TestParseLabels(t *testing.T) {
	got, err := parseLabels([]string{"a=1", "b=", "c=x=y"})
	if want := map[string]string{"a": "1", "b": "", "c": "x=y"}; err != nil || !maps.Equal(got, want) {
		t.Errorf("%v, %v", got, err)
	}
	for _, in := range [][]string{{"a"}, {"=1"}, {"a=1", "a=1"}} {
		if got, err := parseLabels(in); statusOf(err) != statusUsage {
			t.Errorf("%q: %v, %v", in, got, err)
		}
	}
}

func TestVolumeNames(t *testing.T) {
	for in, want := range map[string]string{
		"/srv/seedbank": "seedbank", "/srv/seedbank/": "seedbank", "a/seedbank-4.1.0.tar.gz": "seedbank-4.1.0",
		"x.tar": "x", "x.tgz": "x", "x.tar.zst": "x", "x.tar.xz": "x", "x.sql.gz": "x.sql.gz", ".tar": ".tar",
		"/": "root", "/srv/b\xffd": "b_d", "/srv/..": "root",
	} {
		if got, err := volumeName(in); err != nil || got != want {
			t.Errorf("%q: %q, %v, not %q", in, got, err, want)
		}
	}
	taken := make(map[string]bool)
	for _, want := range []string{"data", "data-2", "data-3"} {
		if got := distinct("data", taken); got != want {
			t.Errorf("%q, not %q", got, want)
		}
	}
}

func TestPatterns(t *testing.T) {
	for _, c := range []struct {
		pattern, member string
		want            bool
	}{
		{"data/catalogue.dat", "./data/catalogue.dat", true},
		{"./data/catalogue.dat", "data/catalogue.dat", true},
		{"/data/catalogue.dat", "data/catalogue.dat", true},
		{"data", "./data/", true},
		{"data/", "data/deep/catalogue.dat", true},
		{"data", "database/x", false},
		{"*.dat", "catalogue.dat", true},
		{"*.dat", "data/catalogue.dat", false}, // * does not fit a slash
		{"*/*.dat", "data/catalogue.dat", true},
		{"d?t[a-c]", "data/x", true},
		{".", "anything/at/all", true},
		{"x", "./", false},
		{"*", "./", true},
		{"*", "a/b/c", true},
	} {
		p, err := newPatterns([]string{c.pattern})
		if err != nil {
			t.Fatal(err)
		}
		if got := p.match(c.member); got != c.want || p.note(c.member) != got || (p.unused() == nil) != got {
			t.Errorf("%q on %q: %v", c.pattern, c.member, got)
		}
	}
	none, err := newPatterns(nil)
	if err != nil || !none.match("x") || !none.note("x") || none.unused() != nil {
		t.Error("no patterns fit everything")
	}
	if _, err := newPatterns([]string{"[a"}); statusOf(err) != statusUsage {
		t.Error(err)
	}
}
