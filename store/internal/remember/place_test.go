package remember

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
)

// Places are kept, each apart from the others, and what is known of one is none of another's.
func TestPlaces(t *testing.T) {
	dir, id := t.TempDir(), crypt.NewRepositoryID()
	at := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	open := func(place string) *Memory {
		m, err := Open(dir, id, place)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	const second = "0123456789abcdef"
	first := open("")
	for _, p := range []Place{{second, at, "/mnt/a b\nc"}, {"fedcba9876543210", at, ""}, {second, at.Add(time.Hour), strings.Repeat("x", maxWhere+1)}, {"", at, "here"}} {
		if err := first.NotePlace(p); err != nil {
			t.Fatal(err)
		}
	}
	want := fmt.Sprint([]Place{{"", at, "here"}, {second, at.Add(time.Hour), strings.Repeat("x", maxWhere)}, {"fedcba9876543210", at, ""}})
	if got := fmt.Sprint(open("").Places()); got != want {
		t.Errorf("got  %.200s\nwant %.200s", got, want)
	}
	c := Capture{ID: "20260314t0203z-k7f3", Kind: Made}
	if err := first.Note(c); err != nil {
		t.Fatal(err)
	}
	there, err := first.Of(second)
	if err != nil {
		t.Fatal(err)
	}
	if _, known := there.Find(c.ID); known || len(there.Places()) > 0 {
		t.Error("what is known of one place is known of another")
	}
	if err := there.Note(Capture{ID: c.ID, Kind: Seen}); err != nil {
		t.Fatal(err)
	}
	if got, _ := open(second).Find(c.ID); got.Kind != Seen {
		t.Errorf("%+v", got)
	}
	// A shorter file has them, too.
	again, err := parse(first.key, first.known.text(first.key))
	if err != nil || fmt.Sprint(again.places) != fmt.Sprint(first.known.places) {
		t.Errorf("%v, %v", again.places, err)
	}
}
