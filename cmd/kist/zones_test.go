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
