package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// TestTimesNameTheirZone: a time on the screen has its zone, and no file but that of screen writes times.
func TestTimesNameTheirZone(t *testing.T) {
	east := time.FixedZone("EAST", 7*3600)
	local := time.Local
	time.Local = east
	defer func() { time.Local = local }()
	if got := screen.LocalTime(time.Date(2026, 3, 14, 2, 3, 4, 0, time.UTC)); got != "2026-03-14 09:03 EAST" {
		t.Error(got)
	}
	others := map[string]string{ // what is no time on the screen
		"rehearsed.go": "days", "each.go": "days", "find.go": "days", "helppages.go": "days", "internal/textdiff/textdiff.go": "as diff -u has them, with the zone",
		"internal/upgrade/journal.go": "RFC 3339", "internal/upgrade/made.go": "RFC 3339", "internal/cmdline/values.go": "what was typed", "upgradeback.go": "names of folders", "upgradedata.go": "names of files", "internal/upgrade/container.go": "names of containers",
		"internal/demo/service.go": "the log of a sample service", "usagecsv.go": "RFC 3339",
		"internal/page/calendar.go": "days", "internal/page/scale.go": "days", "internal/page/view.go": "a page of one zone",
	}
	formats := regexp.MustCompile(`\.(Format|AppendFormat)\(`)
	err := filepath.WalkDir(".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || strings.HasPrefix(path, "internal/screen/") {
			return err
		}
		text, err := os.ReadFile(path)
		if err == nil && formats.Match(text) && others[filepath.ToSlash(path)] == "" {
			t.Errorf("%s writes times: use screen.LocalTime, which names the zone", path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestUsagePageZone: a page of costs has local times, and with --utc those in UTC.
func TestUsagePageZone(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--name", "seedbank", "--taken", "2026-03-14T20:03:00Z", b.path("seedbank"))
	local := time.Local
	time.Local = time.FixedZone("EAST", 7*3600)
	defer func() { time.Local = local }()
	file := b.path("usage.html")
	for _, c := range []struct {
		args       []string
		has, never string
	}{
		{nil, "2026-03-15 03:03", "2026-03-14 20:03"}, {[]string{"--utc"}, "2026-03-14 20:03", "2026-03-15 03:03"},
	} {
		b.must(append([]string{"usage", "--page", file, "--overwrite", "--days", "7"}, c.args...)...)
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(string(text), c.has) || strings.Contains(string(text), c.never) {
			t.Errorf("%q: not %s, or %s", c.args, c.has, c.never)
		}
	}
}
