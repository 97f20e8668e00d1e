package screen

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

func TestWrap(t *testing.T) {
	for _, c := range []struct{ in, want string }{
		{"one two three four", "one two\nthree four"},
		{"  one two three", "  one two\n  three"},
		{"short\n\nlines", "short\n\nlines"},
		{"averyveryverylongword x", "averyveryverylongword\nx"},
		{"one two thr\n", "one two\nthr\n"},
		{"  a:  one two", "  a:  one\n      two"},
		{" 1. one two", " 1. one\n    two"},
		{"a:  one two", "a: one two"}, // no label: it is not indented
		{" 1.2 one two", " 1.2 one\n two"},
	} {
		if got := Wrap(c.in, 10); got != c.want {
			t.Errorf("%q: %q, not %q", c.in, got, c.want)
		}
		if got := Wrap(c.in, 0); got != c.in {
			t.Errorf("%q without an end: %q", c.in, got)
		}
	}
}

func TestFitTable(t *testing.T) {
	lines := []string{
		"id\tname\ttaken\tsize",
		"20260314t0203z-k7f3\tseedbank-of-the-mill-in-the-north\t2026-03-14 02:03 UTC\t 1 MiB",
		"20260315t0203z-k7f3\tbeds\t2026-03-15 02:03 UTC\t 2 MiB",
	}
	for _, c := range []struct {
		columns  int
		want     []string
		fits     bool
		wantSaid string
	}{
		{0, []string{"seedbank-of-the-mill-in-the-north  2026-03-14 02:03 UTC"}, true, ""},
		{120, []string{"seedbank-of-the-mill-in-the-north  2026-03-14 02:03 UTC"}, true, ""},
		{80, []string{"taken (UTC)", "seedbank-of-the-mill-in-the-north  2026-03-14 02:03   1 MiB"}, true, ""},
		{60, []string{"seedbank…e-north 2026-03-14 02:03"}, true, "84 columns show all of it"},
		{40, []string{"seed…rth 2026-03-14 02:03"}, false, "best at 84 columns"},
	} {
		var out, said bytes.Buffer
		s := New(&out, &said)
		s.Columns = c.columns
		if err := s.FitTable(lines, "name"); err != nil {
			t.Fatal(err)
		}
		for _, want := range c.want {
			if !strings.Contains(out.String(), want) {
				t.Errorf("at %d columns %q is missing in\n%s", c.columns, want, out.String())
			}
		}
		for line := range strings.SplitSeq(out.String(), "\n") {
			if n := utf8.RuneCountInString(line); c.columns > 0 && n > c.columns && c.fits {
				t.Errorf("at %d columns a line has %d:\n%s", c.columns, n, line)
			}
		}
		if !strings.Contains(said.String(), c.wantSaid) || c.wantSaid == "" && said.Len() > 0 {
			t.Errorf("at %d columns: %q", c.columns, said.String())
		}
	}
}

// TestFigures: what progress shows says what it means, and fits a screen with the bar and the share beside it.
func TestFigures(t *testing.T) {
	const mib = 1 << 20
	for _, c := range []struct {
		done, total int64
		took        time.Duration
		want        string
	}{
		{0, 0, 0, "reading: 0 B done"},
		{3 * mib, 0, 2 * time.Second, "reading: 3.0 MiB done, 1.5 MiB/s"},
		{3 * mib, 30 * mib, 3 * time.Second, "reading: 3.0 MiB of 30 MiB done, 1.0 MiB/s, 27s left"},
		{30 * mib, 30 * mib, 30 * time.Second, "reading: 30 MiB of 30 MiB done, 1.0 MiB/s"},
		{1, 1 << 60, time.Minute, "reading: 1 B of 1.0 EiB done, 0 B/s"},
	} {
		if got := figures("reading", c.done, c.total, c.took); got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
	}
	const beside = len(" 100% |#####|")
	longest := figures(strings.Repeat("x", 100), 1023*mib, 1023*mib*1000, 100*time.Second)
	if n := utf8.RuneCountInString(longest) + beside; n > 80 {
		t.Errorf("%d columns: %s", n, longest)
	}
}
