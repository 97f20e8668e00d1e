package members

import (
	"io/fs"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store"
)

// TestMode has what GNU ls -l shows for these modes.
func TestMode(t *testing.T) {
	for want, m := range map[string]store.Member{
		"-rw-r--r--": {Type: tarstream.File, Mode: 0o644},
		"drwxr-x---": {Type: tarstream.Folder, Mode: fs.ModeDir | 0o750},
		"-rwsr-sr-t": {Type: tarstream.File, Mode: fs.ModeSetuid | fs.ModeSetgid | fs.ModeSticky | 0o755},
		"-rwsr-Sr-T": {Type: tarstream.File, Mode: fs.ModeSetuid | fs.ModeSetgid | fs.ModeSticky | 0o744},
		"lrwxrwxrwx": {Type: tarstream.Symlink, Mode: fs.ModeSymlink | 0o777},
		"prw-------": {Type: tarstream.FIFO, Mode: fs.ModeNamedPipe | 0o600},
		"?---------": {Type: tarstream.Other},
	} {
		if got := Mode(&m); got != want {
			t.Errorf("%v: %s, not %s", m.Mode, got, want)
		}
	}
	if got := ModeBits(fs.ModeSetuid | fs.ModeSticky | 0o640); got != 0o5640 {
		t.Errorf("%o", got)
	}
}

// TestLineIn: on one screen the names of all members begin in one column, be they long or short.
func TestLineIn(t *testing.T) {
	for _, columns := range []int{0, 60, 80, 109, 110, 200} {
		var at []int
		for _, path := range []string{"./x", "./" + strings.Repeat("catalogue/", 30)} {
			line := LineIn(&store.Member{Path: path, Type: tarstream.File, User: "root", Group: "root", Size: 7}, columns)
			at = append(at, strings.Index(line, "./"))
			if columns >= 80 && len([]rune(line)) > columns {
				t.Errorf("%d columns: %q", columns, line)
			}
		}
		if at[0] != at[1] {
			t.Errorf("%d columns: names begin at %v", columns, at)
		}
	}
}

// TestJSONTimeOfZone: a year that is one too many in a time zone alone.
func TestJSONTimeOfZone(t *testing.T) {
	east := time.FixedZone("east", 3600)
	for _, unix := range []int64{firstJSONTime.Unix(), lastJSONTime.Unix()} {
		for _, zone := range []*time.Location{east, time.FixedZone("west", -3600), time.UTC} {
			at := time.Unix(unix, 5).In(zone)
			got := jsonTime(at)
			if _, err := got.MarshalJSON(); err != nil || !got.Equal(at) {
				t.Errorf("%v: %v, %v", at, got, err)
			}
		}
	}
}
