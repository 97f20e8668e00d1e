package store_test

import (
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestHolds: each hold that counts is told with who made it and why, one that can't be read with
// its time alone, and none that was released.
func TestHolds(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	a, b, c := f.capture([]byte("bean")), f.capture([]byte("barley")), f.capture([]byte("oat"))
	hold := func(id, host, reason string) {
		t.Helper()
		if err := f.Hold(t.Context(), []string{id}, store.MarkOptions{Host: host, Reason: reason}); err != nil {
			t.Fatal(err)
		}
	}
	holds := func() map[string][]store.Hold {
		t.Helper()
		all, err := f.Holds(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	if got := holds(); len(got) != 0 {
		t.Errorf("none is held, and there are %v", got)
	}
	before := time.Now().Add(-time.Minute)
	hold(a.ID, "hazel", "before the move")
	hold(a.ID, "alder", "before the move") // it is held for that already
	hold(b.ID, "hazel", "for a while")
	hold(b.ID, "alder", "for longer")
	if all := holds()[b.ID]; len(all) != 2 || all[0].Reason != "for a while" || all[1].Reason != "for longer" {
		t.Errorf("held twice: %+v", all)
	}
	hold(c.ID, "", "")
	if err := f.Release(t.Context(), []string{b.ID}); err != nil {
		t.Fatal(err)
	}
	got := holds()
	if all := got[a.ID]; len(all) != 1 || all[0].Host != "hazel" || all[0].Reason != "before the move" || all[0].At.Before(before) {
		t.Errorf("the first: %+v", all)
	}
	if len(got[b.ID]) != 0 || len(got[c.ID]) != 1 || got[c.ID][0].Host != "" {
		t.Errorf("the others: %+v", got)
	}
	for name := range objects(t, f.mem) {
		if strings.HasPrefix(name, "holds/"+a.ID) {
			f.replace(name, []byte("beans"))
		}
	}
	if all := holds()[a.ID]; len(all) != 1 || all[0].Reason != "" || all[0].At.Before(before) {
		t.Errorf("one that can't be read: %+v", all)
	}
}
