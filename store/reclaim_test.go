package store_test

import (
	"bytes"
	"errors"
	"maps"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
)

// stored gives the length of all objects.
func (f *fixture) stored() (n int64) {
	f.t.Helper()
	infos, err := f.mem.List(f.t.Context(), "")
	if err != nil {
		f.t.Fatal(err)
	}
	for _, info := range infos {
		n += info.Size
	}
	return n
}

func (f *fixture) reclaim(o store.ReclaimOptions) *store.Reclaimed {
	f.t.Helper()
	out, err := f.Reclaim(f.t.Context(), o)
	if err != nil {
		f.t.Fatal(err)
	}
	return out
}

func (f *fixture) retire(c ...*store.Capture) {
	f.t.Helper()
	if err := f.Retire(f.t.Context(), idsOf(c), store.MarkOptions{}); err != nil {
		f.t.Fatal(err)
	}
}

func idsOf(captures []*store.Capture) (ids []string) {
	for _, c := range captures {
		ids = append(ids, c.ID)
	}
	return ids
}

// TestRetention retires a capture, takes that back, retires it again, and lets it
// go when the grace time has passed.
func TestRetention(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		one, two := tarOf(t, file{name: "a", content: random(1, 300_000)}), tarOf(t, file{name: "b", content: random(2, 300_000)})
		second, first := f.capture(two), f.capture(one)
		if err := f.Hold(t.Context(), []string{first.ID}, store.MarkOptions{Reason: "keep"}); err != nil {
			t.Fatal(err)
		}
		if err := f.Retire(t.Context(), []string{second.ID, first.ID}, store.MarkOptions{}); !errors.Is(err, store.ErrHeld) {
			t.Errorf("retiring what is held: %v", err)
		}
		if all, err := f.Captures(t.Context()); err != nil || len(all) != 2 || !all[0].Held && !all[1].Held {
			t.Errorf("after a refused retirement: %v, %v", all, err)
		}
		if err := f.Release(t.Context(), []string{first.ID}); err != nil {
			t.Fatal(err)
		}
		f.retire(first)
		if err := f.Hold(t.Context(), []string{first.ID}, store.MarkOptions{}); !errors.Is(err, store.ErrRetired) {
			t.Errorf("holding what is retired: %v", err)
		}
		if all, err := f.Captures(t.Context()); err != nil || len(all) != 1 || all[0].ID != second.ID {
			t.Errorf("a retired capture is listed: %v, %v", all, err)
		}
		if c, err := f.Find(t.Context(), first.ID); err != nil || c.Retired == nil || !bytes.Equal(f.restore(c), one) {
			t.Errorf("a retired capture can't be restored: %v", err)
		}
		f.reclaim(store.ReclaimOptions{})
		time.Sleep(6 * 24 * time.Hour)
		f.reclaim(store.ReclaimOptions{})
		if err := f.Reinstate(t.Context(), []string{first.ID}, store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(8 * 24 * time.Hour)
		f.reclaim(store.ReclaimOptions{})
		if all, err := f.Captures(t.Context()); err != nil || len(all) != 2 || !bytes.Equal(f.restore(first), one) {
			t.Fatalf("after taking it back: %v, %v", all, err)
		}
		before := f.stored()
		f.retire(first)
		if out := f.reclaim(store.ReclaimOptions{}); out.Slabs != 0 || out.Announced != 1 || out.Retired != 1 {
			t.Errorf("%+v", out)
		}
		time.Sleep(7*24*time.Hour + time.Minute)
		if plan := f.reclaim(store.ReclaimOptions{DryRun: true}); plan.Slabs == 0 || len(plan.Captures) != 1 || plan.Freed < 300_000 {
			t.Errorf("the plan: %+v", plan)
		}
		out := f.reclaim(store.ReclaimOptions{})
		if len(out.Captures) != 1 || out.Slabs == 0 || out.Freed < 300_000 || f.stored() > before-300_000 {
			t.Errorf("%+v, %d bytes of %d", out, f.stored(), before)
		}
		if _, err := f.Find(t.Context(), first.ID); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("a capture that was removed: %v", err)
		}
		if !bytes.Equal(f.restore(second), two) {
			t.Error("the other capture changed")
		}
		f.expectNoMarks("retired", "holds", "leases")
	})
}

// expectNoMarks looks for marks that should be gone.
func (f *fixture) expectNoMarks(folders ...string) {
	f.t.Helper()
	for _, folder := range folders {
		if infos, err := f.mem.List(f.t.Context(), folder); err != nil || len(infos) > 0 {
			f.t.Errorf("left in %s: %v, %v", folder, infos, err)
		}
	}
}

// TestReclaimSpace retires most of many captures that share content, and compares
// what stays with a fresh repository of the same captures.
func TestReclaimSpace(t *testing.T) {
	oneByOne(t)
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		var captures []*store.Capture
		var streams [][]byte
		for version := range 24 {
			in := evolved(t, version)
			streams = append(streams, in)
			captures = append(captures, f.capture(in))
		}
		var keep []int
		for i, c := range captures {
			if i%7 == 3 || i == 23 {
				keep = append(keep, i)
			} else {
				f.retire(c)
			}
		}
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
		fresh := f.emptyTwin()
		defer fresh.Close()
		for _, i := range keep {
			if got := f.restore(mustFind(f, captures[i].ID)); !bytes.Equal(got, streams[i]) {
				t.Errorf("capture %d restores to something else", i)
			}
			fresh.capture(streams[i])
		}
		if got, want := f.stored(), fresh.stored(); float64(got) > 1.05*float64(want) {
			t.Errorf("%d bytes after reclaiming, a fresh repository takes %d: %.3f", got, want, float64(got)/float64(want))
		} else {
			t.Logf("%d bytes after reclaiming, a fresh repository takes %d: %.3f", got, want, float64(got)/float64(want))
		}
		if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace}); out.Slabs != 0 || out.Moved != 0 || len(out.Captures) != 0 {
			t.Errorf("a second time there is something to do: %+v", out)
		}
	})
}

// emptyTwin gives a repository without captures that cuts contents at the same
// places: it has the same keys.
func (f *fixture) emptyTwin() *fixture {
	f.t.Helper()
	all := objects(f.t, f.mem)
	maps.DeleteFunc(all, func(name string, _ []byte) bool { return name != "kist.json" && !strings.HasPrefix(name, "keyslots/") })
	twin := &fixture{t: f.t, mem: memoryOf(f.t, all), key: f.key}
	var err error
	if twin.Repository, err = store.Open(f.t.Context(), twin.mem, f.key, store.OpenOptions{}); err != nil {
		f.t.Fatal(err)
	}
	return twin
}

// evolved is a tree of files of which some change with every version.
func evolved(t *testing.T, version int) []byte {
	var files []file
	for i := range 60 {
		content := random(byte(i), 40_000)
		if i%3 == 0 {
			copy(content[5000:], random(byte(version*7+i), 9000))
		}
		files = append(files, file{name: string(rune('a'+i%26)) + string(rune('a'+i/26)), content: content})
	}
	return tarOf(t, files...)
}

func mustFind(f *fixture, id string) *store.Capture {
	f.t.Helper()
	c, err := f.Find(f.t.Context(), id)
	if err != nil {
		f.t.Fatal(err)
	}
	return c
}
