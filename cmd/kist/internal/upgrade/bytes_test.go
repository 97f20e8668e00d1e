package upgrade

import (
	"reflect"
	"testing"
	"time"
)

// TestJournalBytes: a journal keeps all bytes of paths and commands, also of those that are not UTF-8: 0xe9 is é in ISO 8859-1.
func TestJournalBytes(t *testing.T) {
	const place = "/srv/caf\xe9"
	dir := t.TempDir()
	want := (&ByCommands{Name: "caf\xe9", From: "4.1.0", To: "4.2.0", Down: "down '" + place + "'", Up: "up '" + place + "'",
		Places: []string{place}, Healthy: "ask '" + place + "'", Repository: place + "/kist", KeyFile: place + "/key"}).Record(time.Now())
	want.Kept = map[string]string{place: place + ".before"}
	want.Exchanges = map[string]Exchange{place: {Part: place + ".part", Stood: Tree{Entries: map[string]uint64{"\xe9": 1, "\xe8": 2}}}}
	j, err := begin(dir, want)
	if err != nil {
		t.Fatal(err)
	}
	if err := j.release(); err != nil {
		t.Fatal(err)
	}
	open, err := binding(dir)
	if err != nil || len(open) != 1 || !reflect.DeepEqual(open[0], want) {
		t.Errorf("%+v, not %+v: %v", open, want, err)
	}
}
