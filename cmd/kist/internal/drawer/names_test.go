package drawer

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

// zone is one in which summer time shows: an hour ahead of UTC, two from the last Sunday of
// March on.
func zone(t *testing.T) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip(err)
	}
	return zone
}

// TestGuess holds what file names are read as against testdata/names.txt. The names are common
// practice, without a source: ISO 8601 dates, what log rotations and cron jobs of many write.
func TestGuess(t *testing.T) {
	b, err := os.ReadFile("testdata/names.txt")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for line := range strings.Lines(string(b)) {
		if line = strings.TrimSpace(line); line == "" || line[0] == '#' {
			continue
		}
		n++
		file, want, _ := strings.Cut(line, " => ")
		if got := told(Guess(file, zone(t))); got != strings.TrimSpace(want) {
			t.Errorf("%s => %s\nnot %s", file, got, want)
		}
	}
	if n < 40 {
		t.Errorf("only %d names", n)
	}
}

// told writes a reading: name, version, time; - for none.
func told(r Reading) string {
	or := func(s string) string {
		if s == "" {
			return "-"
		}
		return s
	}
	at := "-"
	if !r.Taken.IsZero() {
		at = r.Taken.UTC().Format("2006-01-02T15:04:05Z")
	}
	return fmt.Sprintf("%s | %s | %s", or(r.Name), or(r.Version), at)
}

// TestPattern: the parts of a name stand where a pattern says.
func TestPattern(t *testing.T) {
	for _, c := range []struct{ pattern, file, want string }{
		{"{name}-{version}-{date}", "seedbank-data-4.1.0-2026-03-14.tar.gz", "seedbank-data | 4.1.0 | 2026-03-13T23:00:00Z"},
		{"{name}_{day}.{month}.{year}", "seedbank_14.3.2026.tar", "seedbank | - | 2026-03-13T23:00:00Z"},
		{"{month}-{day}-{year} {name} (*)", "03-14-2026 seedbank (old).tgz", "seedbank | - | 2026-03-13T23:00:00Z"},
		{"*/{name}", "seedbank.tar", ""},
		{"{name}.{date}T{time}", "seedbank.20260314T020304Z.tar.zst", "seedbank | - | 2026-03-14T02:03:04Z"},
		{"{name}.{date}T{time}", "seedbank.20260314T0203+0100.tar.zst", "seedbank | - | 2026-03-14T01:03:00Z"},
		{"{date}_{hour}h{minute}_{name}", "2026-07-14_02h03_seedbank.tar", "seedbank | - | 2026-07-14T00:03:00Z"},
		{"old-{name}", "old-seedbank.tar.bz2", "seedbank | - | -"},
		{"{name}-{date}", "seedbank-2026-02-30.tar", ""},
		{"{name}-{year}{month}{day}", "seedbank-20261314.tar", ""},
		{"{name}+{date}", "seedbank-2026-03-14.tar", ""},
	} {
		p, err := ParsePattern(c.pattern)
		if err != nil {
			t.Fatal(err)
		}
		r, err := p.Read(c.file, zone(t))
		if got := told(r); (err == nil) != (c.want != "") || err == nil && got != c.want {
			t.Errorf("%s on %s: %s, %v; not %s", c.pattern, c.file, got, err, c.want)
		}
	}
	for _, bad := range []string{"", "seedbank", "{nam}", "{name}{name}", "{year}-{month}", "{name}-{time}", "{date}{day}{month}{year}", "{date}-{minute}", "{date}-{time}-{hour}"} {
		if _, err := ParsePattern(bad); !errors.As(err, new(*cmdline.UsageError)) {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

// FuzzGuess: whatever a name is, it is read without a panic, and says no year that there was no tar.
func FuzzGuess(f *testing.F) {
	f.Add("seedbank-data-4.1.0-2026-03-14.tar.gz")
	f.Add("2026-03-14T02:03:04+0100_\xff.zip")
	f.Add("--.tar")
	f.Fuzz(func(t *testing.T, name string) {
		r := Guess(name, time.UTC)
		if !r.Taken.IsZero() && r.Taken.Year() < firstYear-1 {
			t.Errorf("%q: %v", name, r)
		}
	})
}
