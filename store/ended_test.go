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
	"github.com/kistarchive/kist/store/storage"
)

// putAt puts objects as of another time, by the medium's clock.
func putAt(t testing.TB, mem *storage.Memory, at time.Time, all map[string][]byte) {
	t.Helper()
	mem.SetNow(func() time.Time { return at })
	defer mem.SetNow(time.Now)
	for name, b := range all {
		if err := mem.Put(t.Context(), name, bytes.NewReader(b)); err != nil {
			t.Fatal(err)
		}
	}
}

// under gives the objects of some folders.
func under(t testing.TB, st storage.Storage, folders ...string) map[string][]byte {
	t.Helper()
	all := objects(t, st)
	maps.DeleteFunc(all, func(name string, _ []byte) bool {
		folder, _, _ := strings.Cut(name, "/")
		for _, f := range folders {
			if f == folder {
				return false
			}
		}
		return true
	})
	return all
}

// absent gives those of the objects that are not there.
func absent(t testing.TB, st storage.Storage, all map[string][]byte) map[string][]byte {
	t.Helper()
	there := objects(t, st)
	all = maps.Clone(all)
	maps.DeleteFunc(all, func(name string, _ []byte) bool { return there[name] != nil })
	return all
}

// TestUndoneMarkComesBack has a copy of a retirement that was undone appear again, as of
// long ago: the capture stays, however often that happens.
func TestUndoneMarkComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		in := tarOf(t, file{name: "a", content: random(1, 300_000)})
		c := f.capture(in)
		f.capture(tarOf(t, file{name: "b", content: random(2, 30_000)}))
		f.retire(c)
		old := under(t, f.mem, "retired")
		time.Sleep(time.Hour)
		if err := f.Reinstate(t.Context(), idsOf([]*store.Capture{c}), store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		for range 2 {
			if len(absent(t, f.mem, old)) != 1 {
				t.Fatal("the mark was not removed")
			}
			putAt(t, f.mem, time.Now().Add(-30*24*time.Hour), absent(t, f.mem, old))
			if got := mustFind(f, c.ID); got.Retired != nil {
				t.Errorf("it is retired again: %+v", got.Retired)
			}
			for range 2 {
				f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
				time.Sleep(8 * 24 * time.Hour)
				f.reclaim(store.ReclaimOptions{})
			}
			if got := f.restore(mustFind(f, c.ID)); !bytes.Equal(got, in) {
				t.Error("it restores to something else")
			}
		}
		// Retired anew, it goes as ever, and its marks with it.
		f.retire(c)
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
		if _, err := f.Find(t.Context(), c.ID); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("retired anew: %v", err)
		}
		f.expectNoMarks("retired", "holds", "leases")
	})
}

// TestReleasedHoldComesBack is the same for a hold that was released.
func TestReleasedHoldComesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		c := f.capture(tarOf(t, file{name: "a", content: random(1, 30_000)}))
		f.capture(tarOf(t, file{name: "b", content: random(2, 30_000)}))
		ids := []string{c.ID}
		if err := f.Hold(t.Context(), ids, store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		old := under(t, f.mem, "holds")
		if err := f.Release(t.Context(), ids); err != nil {
			t.Fatal(err)
		}
		putAt(t, f.mem, time.Now(), old)
		if mustFind(f, c.ID).Held {
			t.Error("a hold that was released counts again")
		}
		if err := f.Hold(t.Context(), ids, store.MarkOptions{}); err != nil || !mustFind(f, c.ID).Held {
			t.Errorf("held anew: %v", err)
		}
		if err := f.Release(t.Context(), ids); err != nil || mustFind(f, c.ID).Held {
			t.Errorf("released anew: %v", err)
		}
		f.retire(c)
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
		f.expectNoMarks("retired", "holds", "leases")
	})
}

// TestEndsThatCannotBeRead harms the marks that end others: the capture stays either way,
// and repairing keeps it so.
func TestEndsThatCannotBeRead(t *testing.T) {
	for _, folder := range []string{"retired", "holds"} {
		t.Run(folder, func(t *testing.T) {
			f := newFixture(t)
			f.harmed = true
			c := f.capture(tarOf(t, file{name: "a", content: random(1, 30_000)}))
			ids := []string{c.ID}
			var err error
			if folder == "retired" {
				f.retire(c)
			} else {
				err = f.Hold(t.Context(), ids, store.MarkOptions{})
			}
			mark := under(t, f.mem, folder)
			if folder == "retired" {
				err = errors.Join(err, f.Reinstate(t.Context(), ids, store.MarkOptions{}))
			} else {
				err = errors.Join(err, f.Release(t.Context(), ids))
			}
			if err != nil {
				t.Fatal(err)
			}
			end := under(t, f.mem, folder)
			all := objects(t, f.mem)
			for name := range end {
				all[name] = []byte("junk that is longer than a mark's header, so that it is no torn file, and says nothing")
			}
			maps.Copy(all, mark)
			g := &fixture{t: t, mem: memoryOf(t, all), key: f.key, harmed: true}
			if g.Repository, err = store.Open(t.Context(), g.mem, f.key, store.OpenOptions{}); err != nil {
				t.Fatal(err)
			}
			defer g.Close()
			stays := func(when string) {
				t.Helper()
				if got := mustFind(g, c.ID); got.Retired != nil || folder == "holds" && !got.Held {
					t.Errorf("%s: retired %v, held %v", when, got.Retired, got.Held)
				}
			}
			stays("harmed")
			if report, err := g.Verify(t.Context(), store.VerifyOptions{}); err != nil || len(report.Damage) != 1 {
				t.Errorf("%+v, %v", report, err)
			}
			if out, err := g.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Marks) != 1 {
				t.Errorf("%+v, %v", out, err)
			}
			stays("repaired")
			if report, err := g.Verify(t.Context(), store.VerifyOptions{}); err != nil || !report.OK {
				t.Errorf("after repairing: %+v, %v", report, err)
			}
			if folder == "retired" {
				putAt(t, g.mem, time.Now().Add(-30*24*time.Hour), absent(t, g.mem, mark))
				stays("repaired, and the mark is back")
			}
		})
	}
}

// TestMarkSetBack has the time of a retirement set back: the sealed time counts then. One
// that is ahead delays, and is worth a note.
func TestMarkSetBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		c := f.capture(random(1, 300_000))
		f.capture(random(2, 200_000)) // shares nothing with it
		made := time.Now().Truncate(time.Millisecond)
		f.retire(c)
		f.reclaim(store.ReclaimOptions{}) // announces
		for name, b := range under(t, f.mem, "retired", "condemned") {
			if err := f.mem.Remove(t.Context(), name); err != nil {
				t.Fatal(err)
			}
			putAt(t, f.mem, made.Add(-30*24*time.Hour), map[string][]byte{name: b})
		}
		time.Sleep(24 * time.Hour)
		for _, dry := range []bool{true, false} {
			out := f.reclaim(store.ReclaimOptions{DryRun: dry})
			if len(out.Captures) != 0 || out.Slabs != 0 || out.Retired != 1 {
				t.Errorf("within the grace time (dry run: %v): %+v", dry, out)
			}
			if left := out.Next.Sub(made); left < 7*24*time.Hour || left > 7*24*time.Hour+time.Minute {
				t.Errorf("the next run is said to be %v after", left)
			}
		}
		if got := mustFind(f, c.ID).Retired; got == nil || got.At.Before(made) {
			t.Errorf("retired at %+v, and it was at %v", got, made)
		}
		if report, err := f.Verify(t.Context(), store.VerifyOptions{}); err != nil || !strings.Contains(strings.Join(report.Notes, "\n"), "set back") {
			t.Errorf("%+v, %v", report, err)
		}
		time.Sleep(6*24*time.Hour + time.Hour)
		if out := f.reclaim(store.ReclaimOptions{}); len(out.Captures) != 1 {
			t.Errorf("after the grace time: %+v", out)
		}
	})
}

// TestMarkFromTheFuture has whoever retires be a month ahead.
func TestMarkFromTheFuture(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		c := f.capture(tarOf(t, file{name: "a", content: random(1, 300_000)}))
		f.capture(tarOf(t, file{name: "b", content: random(2, 30_000)}))
		f.retire(c)
		// The medium is behind that machine instead.
		const behind = 30 * 24 * time.Hour
		f.mem.SetNow(func() time.Time { return time.Now().Add(-behind) })
		defer f.mem.SetNow(time.Now)
		out := f.reclaim(store.ReclaimOptions{DryRun: true})
		if want := time.Now().Add(7 * 24 * time.Hour); out.Next.Sub(want).Abs() > time.Minute {
			t.Errorf("the next run is said to be at %v, want %v", out.Next, want)
		}
		if len(out.Notes) != 1 || !strings.Contains(out.Notes[0], c.ID) {
			t.Errorf("notes: %q", out.Notes)
		}
	})
}
