package rotation_test

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// Every period is compared with what GNU date says. Its zones are given as rules
// of POSIX, so that it needs no zone database; they hold since 2007.
func TestPeriodsOfGNUDate(t *testing.T) {
	for _, test := range []struct {
		zone, posix string
		first, last int           // years
		step        time.Duration // odd, so that all hours come up
	}{
		{"UTC", "UTC0", 1970, 2070, 24 * time.Hour},
		{"Europe/Berlin", "CET-1CEST,M3.5.0,M10.5.0/3", 2008, 2037, 11*time.Hour + 59*time.Minute},
		{"America/New_York", "EST5EDT,M3.2.0,M11.1.0", 2008, 2037, 11*time.Hour + 59*time.Minute},
	} {
		t.Run(test.zone, func(t *testing.T) {
			loc := zone(t, test.zone)
			var times []time.Time
			for v := time.Date(test.first, 1, 1, 0, 0, 0, 0, loc); v.Year() <= test.last; v = v.Add(test.step) {
				times = append(times, v)
			}
			want := gnuDate(t, test.posix, times)
			for i, got := range periods(t, loc, times...) {
				if got != want[i] {
					t.Fatalf("%s is in %s; GNU date says %s", times[i].Format(time.RFC3339), got, want[i])
				}
			}
		})
	}
}

// gnuDate gives the day, the week, the month and the year of each time.
func gnuDate(t *testing.T, zone string, times []time.Time) []string {
	t.Helper()
	if version, err := exec.Command("date", "--version").Output(); err != nil || !strings.Contains(string(version), "GNU coreutils") {
		if os.Getenv("KIST_TEST_REQUIRE") == "all" {
			t.Fatal("needs GNU date")
		}
		t.Skip("needs GNU date")
	}
	var in strings.Builder
	for _, v := range times {
		fmt.Fprintf(&in, "@%d\n", v.Unix())
	}
	cmd := exec.Command("date", "-f", "-", "+%Y-%m-%d %G-W%V %Y-%m %Y")
	cmd.Env = append(os.Environ(), "LC_ALL=C", "TZ="+zone)
	cmd.Stdin = strings.NewReader(in.String())
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("date: %v\n%s", err, out)
	}
	lines := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
	if len(lines) != len(times) {
		t.Fatalf("date gave %d lines for %d times", len(lines), len(times))
	}
	return lines
}
