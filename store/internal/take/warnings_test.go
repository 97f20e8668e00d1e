package take

import (
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/volume"
)

// TestLongWarnings shortens paths, so that what says of much with long paths that it was left out fits
// an index file.
func TestLongWarnings(t *testing.T) {
	long := volume.Note{Path: "first" + strings.Repeat("/n", 200_000) + "/last", Reason: "a socket can't be in a tar stream"}
	report := &volume.ReadReport{Skipped: []volume.Note{{Path: "bean", Reason: "it vanished"}}}
	for range 2 * maxWarnings {
		report.Skipped = append(report.Skipped, long)
	}
	texts := warnings(report)
	if texts[0] != "bean: it vanished" {
		t.Errorf("first: %q", texts[0])
	}
	if s := texts[1]; !strings.HasPrefix(s, "first/n") || !strings.HasSuffix(s, "/last: "+long.Reason) {
		t.Errorf("second: %.100q", s)
	}
	if n := len(strings.Join(texts, "")); n > format.MaxIndexFile/2 {
		t.Errorf("warnings of %d bytes", n)
	}
}
