package store_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestHarmedIndexFileIsSeen: a machine that keeps copies names a capture whose index file is harmed among those
// that it saw: whoever comes new misses it, once its index file is gone.
func TestHarmedIndexFileIsSeen(t *testing.T) {
	f := newFixture(t)
	harmed := f.capture(random(1, 30_000))
	f.spoil(harmed)
	cached, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{Cache: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	defer cached.Close()
	if _, err := captureWith(t.Context(), cached, own); err != nil {
		t.Fatal(err)
	}
	f.lose(harmed)
	_, fresh := f.beside()
	report, err := fresh.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || !slices.ContainsFunc(report.Damage, func(d store.Damage) bool { return slices.Contains(d.Captures, harmed.ID) }) {
		t.Errorf("%+v, %v", report, err)
	}
}

// TestReleaserThatSlept: whoever was taken for dead before it ended a hold ends none.
func TestReleaserThatSlept(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		c := f.capture(shared)
		if err := f.Hold(t.Context(), []string{c.ID}, store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		s, r := f.sleeper()
		at(s.Faulty, storagetest.List, "captures", "", func() { s.sleepWhile(nil) })
		if err := r.Release(t.Context(), []string{c.ID}); !errors.Is(err, store.ErrOvertaken) {
			t.Errorf("released after it was taken for dead: %v", err)
		}
		if !mustFind(f, c.ID).Held {
			t.Error("it is not held any more")
		}
	})
}

// TestRetiredAfterTheFinalMark: a capture that relies on what was named finally, and was retired before the second
// look, is not named, stays listed, and so stays whole.
func TestRetiredAfterTheFinalMark(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.retire(f.capture(shared))
		watched, r := f.beside()
		var id string
		at(watched, storagetest.Put, "condemned/", ".final", func() {
			_, other := f.beside()
			c, err := captureWith(t.Context(), other, shared, own)
			if err != nil {
				t.Error(err)
				return
			}
			id = c.ID
			f.retire(c)
		})
		if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1}); err != nil {
			t.Fatal(err)
		}
		f.expectWhole(id)
	})
}

// TestLeasesOfTheLivingStay: whoever reclaims removes the leases of the dead alone. A writer that began once the
// final mark could be seen is not waited for, and commits.
func TestLeasesOfTheLivingStay(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.retire(f.capture(shared))
		writer, w := f.beside()
		goOn, waits, done := make(chan struct{}), make(chan struct{}), make(chan struct{})
		at(writer, storagetest.Put, "captures/", "", func() { close(waits); <-goOn })
		watched, r := f.beside()
		var named atomic.Bool
		var once sync.Once
		watched.Before(func(m storagetest.Method, name string) {
			switch c := (call{method: m, name: name}); {
			case c.is(storagetest.Put, "condemned/", ".final"):
				named.Store(true)
			case named.Load() && c.is(storagetest.List, "leases", ""):
				once.Do(func() {
					time.Sleep(time.Minute)
					go func() {
						defer close(done)
						if _, err := captureWith(t.Context(), w, shared, own); err != nil {
							t.Errorf("the writer: %v", err)
						}
					}()
					<-waits
				})
			}
		})
		if out, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil || out.Slabs == 0 {
			t.Errorf("%+v, %v", out, err)
		}
		close(goOn)
		<-done
	})
}

// TestIndexFilesThatGoWhileRead: where index files go while they are read, somebody else is at it, and nothing is
// decided by what is left.
func TestIndexFilesThatGoWhileRead(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	f.capture(shared)
	c := f.capture(own)
	watched, r := f.beside()
	at(watched, storagetest.ReadAt, "captures/"+c.ID, "", func() { f.lose(c) })
	if out, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); !errors.Is(err, store.ErrBusy) || f.count("condemned") > 0 {
		t.Errorf("%+v, %v", out, err)
	}
}

// TestAnnouncedStaysForAGraceTime: what a draft left goes a grace time after it was announced, not before.
func TestAnnouncedStaysForAGraceTime(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.capture(own)
		if _, err := f.Draft(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(shared)}}); err != nil {
			t.Fatal(err)
		}
		before := f.count("slabs")
		for range 2 {
			f.reclaim(store.ReclaimOptions{})
			time.Sleep(f.Grace()/2 - time.Hour)
			if n := f.count("slabs"); n != before {
				t.Errorf("%d slabs of %d are left within the grace time", n, before)
			}
		}
		f.reclaim(store.ReclaimOptions{})
		time.Sleep(3 * time.Hour)
		if out := f.reclaim(store.ReclaimOptions{}); out.Slabs == 0 {
			t.Errorf("after the grace time: %+v", out)
		}
	})
}

// TestHealsByNothingElse: a chunk that can't be read is not healed by another one that a table says it is.
func TestHealsByNothingElse(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	first := f.capture(random(1, 3_000))
	second := f.capture(random(2, 3_000))
	g := tamperWith(t, f.mem, f.key)
	bad, other := g.chunkWith(random(1, 3_000)[:100]), g.chunkWith(random(2, 3_000)[:100])
	g.lie(bad.slab, bad.frame, bad.chunk, other.content)
	for name, b := range under(t, f.mem, "slabs") {
		if strings.HasSuffix(name, bad.slab.String()) {
			b = bytes.Clone(b)
			b[200] ^= 1 // in its first frame, of contents
			f.replace(name, b)
		}
	}
	f.reopen()
	out, err := f.Repair(t.Context(), store.RepairOptions{})
	if err != nil || slices.Contains(out.Healed, first.ID) || slices.Contains(out.Healed, second.ID) || len(out.Lost) != 1 {
		t.Errorf("%+v, %v", out, err)
	}
}

// TestEndedHoldComesBackHarmed: a copy of a hold that was released, and can't be read any more, holds nothing,
// and is not put anew.
func TestEndedHoldComesBackHarmed(t *testing.T) {
	f := newFixture(t)
	c := f.capture(shared)
	if err := f.Hold(t.Context(), []string{c.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	copied := under(t, f.mem, "holds")
	if err := f.Release(t.Context(), []string{c.ID}); err != nil {
		t.Fatal(err)
	}
	for name := range copied {
		put(t, f.mem, name, []byte("bean"))
	}
	if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	if mustFind(f, c.ID).Held {
		t.Error("a hold that was released counts again")
	}
}

// TestHoldOutweighsRetirement: where somebody retired a capture just as another one held it, it is held.
func TestHoldOutweighsRetirement(t *testing.T) {
	f := newFixture(t)
	c := f.capture(shared)
	watched, r := f.beside()
	at(watched, storagetest.Put, "holds/", "", func() { f.retire(c) })
	if err := r.Hold(t.Context(), []string{c.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace}); len(out.Captures) > 0 || out.Slabs > 0 {
		t.Errorf("%+v", out)
	}
	if got := mustFind(f, c.ID); !got.Held || got.Retired != nil {
		t.Errorf("held: %v, retired: %v", got.Held, got.Retired)
	}
}

// TestUnreadEndOfAHold: a mark that ends a hold and can't be read ends nothing: whoever can write to the
// share, and no more, releases nobody.
func TestUnreadEndOfAHold(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	c := f.capture(shared)
	if err := f.Hold(t.Context(), []string{c.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	for name := range under(t, f.mem, "holds") {
		put(t, f.mem, name+".released", []byte("bean"))
	}
	if !mustFind(f, c.ID).Held {
		t.Error("it is not held any more")
	}
	if err := f.Retire(t.Context(), []string{c.ID}, store.MarkOptions{}); !errors.Is(err, store.ErrHeld) {
		t.Errorf("retiring: %v", err)
	}
}

// TestSlabsOfOtherWritersAreNotAdopted: a slab that no table lists yet, of a writer at work on another machine, is
// left to that one, and not read.
func TestSlabsOfOtherWritersAreNotAdopted(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		writer, w := f.beside()
		var foreign map[string][]byte
		at(writer, storagetest.Put, "tables/", "", func() {
			foreign = under(t, f.mem, "slabs")
			watched, other := f.beside()
			var l timeline
			watched.Before(l.note)
			o := store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{stream(own)}}
			if _, err := other.Capture(t.Context(), o); err != nil {
				t.Error(err)
			}
			for _, c := range l.calls {
				if c.method == storagetest.ReadAt && foreign[c.name] != nil {
					t.Errorf("%s was read", c.name)
				}
			}
		})
		if _, err := captureWith(t.Context(), w, shared); err != nil {
			t.Fatal(err)
		}
		if len(foreign) == 0 {
			t.Error("no slab was there, so that this tests nothing")
		}
	})
}

// TestWriterWithoutItsFirstMark: of a writer whose lease lacks its first mark it isn't known when it began: any slab
// may be its own, whenever others began.
func TestWriterWithoutItsFirstMark(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		first, r := f.beside()
		asked := false
		at(first, storagetest.Put, "captures/", "", func() {
			time.Sleep(6 * time.Minute) // it renews its lease
			for name := range under(t, f.mem, "leases") {
				if strings.HasSuffix(name, ".0") {
					if err := f.mem.Remove(t.Context(), name); err != nil {
						t.Error(err)
					}
				}
			}
			second, other := f.beside()
			at(second, storagetest.Put, "captures/", "", func() {
				asked = true
				if out := f.reclaim(store.ReclaimOptions{AcceptUnexplained: true}); out.Announced > 0 {
					t.Errorf("%+v", out)
				}
			})
			if _, err := captureWith(t.Context(), other, own); err != nil {
				t.Error(err)
			}
		})
		if _, err := captureWith(t.Context(), r, shared); !errors.Is(err, store.ErrOvertaken) || !asked {
			t.Errorf("the one whose lease went: %v", err)
		}
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	})
}
