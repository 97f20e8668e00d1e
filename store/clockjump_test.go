package store_test

import (
	"bytes"
	"errors"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// jump sets the medium's clock ahead by an hour, so that every lease that there is looks
// dead, and lets another machine do something then.
func (f *fixture) jump(do func(*store.Repository) error) {
	f.t.Helper()
	f.mem.SetNow(func() time.Time { return time.Now().Add(time.Hour) })
	other, err := store.Open(f.t.Context(), f.mem, f.key, store.OpenOptions{})
	if err == nil {
		defer other.Close()
		err = do(other)
	}
	if err != nil {
		f.t.Errorf("the other machine: %v", err)
	}
}

// jumping opens the repository on a storage that lets the clock jump, and another machine
// do something, before the first call of a method on names that begin so.
func (f *fixture) jumping(m storagetest.Method, name string, nth int, do func(*store.Repository) error) *store.Repository {
	f.t.Helper()
	faulty := storagetest.NewFaulty(f.mem)
	r, err := store.Open(f.t.Context(), faulty, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	once := newFirstCall()
	var mu sync.Mutex
	faulty.Before(func(method storagetest.Method, object string) {
		mu.Lock()
		here := method == m && strings.HasPrefix(object, name)
		if here {
			nth--
		}
		here = here && nth == 0
		mu.Unlock()
		if here {
			once.Do(func() { f.jump(do) })
		}
	})
	return r
}

// TestClockJumpsUnderACapture has the share's clock jump while a capture is made that
// relies on what is retired, and space be reclaimed then: the capture fails, or is whole.
func TestClockJumpsUnderACapture(t *testing.T) {
	for _, at := range []struct {
		name   string
		method storagetest.Method
		object string
		nth    int
	}{
		{"before its slab is put", storagetest.Put, "slabs/", 1},
		{"before it looks at final marks again", storagetest.List, "condemned", 2},
		{"before its index file is put", storagetest.Put, "captures/", 1},
	} {
		for _, grace := range []time.Duration{store.NoGrace, time.Minute} {
			// Whoever reclaims may stop before it removes the lease that it took for
			// dead, or the final mark.
			for _, stops := range []string{"", "leases/", "condemned/"} {
				synctest.Test(t, func(t *testing.T) {
					f := newFixture(t)
					defer f.Close()
					in := random(1, 300_000)
					old := f.capture(in)
					f.capture(random(2, 200_000)) // shares nothing with it, be it the length
					f.retire(old)
					f.reclaim(store.ReclaimOptions{}) // announces
					time.Sleep(time.Hour)
					r := f.jumping(at.method, at.object, at.nth, func(other *store.Repository) error {
						if stops == "" {
							_, err := other.Reclaim(t.Context(), store.ReclaimOptions{Grace: grace})
							return err
						}
						return f.reclaimUntil(storagetest.Remove, stops, grace)
					})
					defer r.Close()
					c, err := r.Capture(t.Context(), store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(append(in, "more"...))}})
					if err == nil {
						f.restore(c)
					} else if !errors.Is(err, store.ErrOvertaken) {
						t.Errorf("%s: %v", at.name, err)
					}
					if at.object == "captures/" && err == nil {
						t.Errorf("%s (grace %v, stops at %q): nothing was noticed", at.name, grace, stops)
					}
					if gone := objects(t, f.mem); at.method == storagetest.List && stops != "" && hasSuffix(gone, ".gone") > 1 {
						t.Errorf("%s (grace %v, stops at %q): an index file was put all the same", at.name, grace, stops)
					}
					f.mem.SetNow(time.Now)
					f.verify(t.Context())
					time.Sleep(3 * time.Hour)
					f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
					f.verify(t.Context())
				})
			}
		}
	}
}

// hasSuffix counts the names that end so.
func hasSuffix(all map[string][]byte, suffix string) (n int) {
	for name := range all {
		if strings.HasSuffix(name, suffix) {
			n++
		}
	}
	return n
}

// reclaimUntil reclaims as a machine that stops for good at the first call of a method on
// names that begin so.
func (f *fixture) reclaimUntil(m storagetest.Method, name string, grace time.Duration) error {
	faulty := storagetest.NewFaulty(f.mem)
	r, err := store.Open(f.t.Context(), faulty, f.key, store.OpenOptions{})
	if err != nil {
		return err
	}
	defer r.Close()
	once := newFirstCall()
	faulty.Before(func(method storagetest.Method, object string) {
		if method == m && strings.HasPrefix(object, name) {
			once.Do(func() {
				faulty.Inject(storagetest.Fault{From: faulty.Calls(storagetest.Any), Effect: storagetest.Fail})
			})
		}
	})
	if _, err := r.Reclaim(f.t.Context(), store.ReclaimOptions{Grace: grace}); !errors.Is(err, storagetest.ErrInjected) {
		return errors.Join(errors.New("it did not stop"), err)
	}
	return nil
}

// TestClockJumpsUnderAMark is the same for a hold, and for a retirement that is undone:
// neither reports success for a capture that goes.
func TestClockJumpsUnderAMark(t *testing.T) {
	for _, kind := range []string{"hold", "reinstate"} {
		synctest.Test(t, func(t *testing.T) {
			f := newFixture(t)
			defer f.Close()
			c := f.capture(tarOf(t, file{name: "a", content: random(1, 30_000)}))
			f.capture(tarOf(t, file{name: "b", content: random(2, 30_000)}))
			ids := []string{c.ID}
			folder := "holds/"
			if kind == "reinstate" {
				f.retire(c)
				folder = "retired/"
			}
			r := f.jumping(storagetest.Put, folder, 1, func(other *store.Repository) error {
				if err := other.Retire(t.Context(), ids, store.MarkOptions{}); err != nil {
					return err
				}
				_, err := other.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace})
				return err
			})
			defer r.Close()
			var err error
			if kind == "hold" {
				err = r.Hold(t.Context(), ids, store.MarkOptions{})
			} else {
				err = r.Reinstate(t.Context(), ids, store.MarkOptions{})
			}
			if !errors.Is(err, store.ErrOvertaken) {
				t.Errorf("%s: %v", kind, err)
			}
			if _, err := f.Find(t.Context(), c.ID); !errors.Is(err, store.ErrNotFound) {
				t.Errorf("%s: the capture is there: %v", kind, err)
			}
			f.mem.SetNow(time.Now)
			f.verify(t.Context())
			time.Sleep(3 * time.Hour)
			f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
			f.expectNoMarks("holds", "retired", "leases")
		})
	}
}

// TestClockJumpsUnderMoving has it jump while the rest of a slab is moved, and another
// machine free what was moved so far: the capture stays what it was.
func TestClockJumpsUnderMoving(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		defer f.Close()
		shared := file{name: "a", content: random(1, 300_000)}
		in := tarOf(t, shared)
		old := f.capture(tarOf(t, shared, file{name: "b", content: random(2, 600_000)}))
		c := f.capture(in)
		f.retire(old)
		time.Sleep(time.Hour)
		r := f.jumping(storagetest.Put, "captures/"+c.ID, 1, func(other *store.Repository) error {
			_, err := other.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1})
			return err
		})
		defer r.Close()
		if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); !errors.Is(err, store.ErrOvertaken) {
			t.Errorf("moving: %v", err)
		}
		f.mem.SetNow(time.Now)
		if got := f.restore(mustFind(f, c.ID)); !bytes.Equal(got, in) {
			t.Error("it restores to something else")
		}
		f.verify(t.Context())
		time.Sleep(3 * time.Hour)
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
		f.verify(t.Context())
	})
}

// TestClockJumpsUnderHealing is the same while a harmed capture takes its chunks from
// another one, which is retired and removed just then.
func TestClockJumpsUnderHealing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		f.harmed = true
		defer f.Close()
		in := random(1, 300_000)
		c := f.capture(in)
		for name, b := range under(t, f.mem, "slabs") {
			if err := f.mem.Remove(t.Context(), name); err != nil {
				t.Fatal(err)
			}
			b[len(b)/2] ^= 1
			putAt(t, f.mem, time.Now(), map[string][]byte{name: b})
		}
		if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
			t.Fatal(err)
		}
		// Captured before, as a later one may list what was there by the same chunks: then their slab stays.
		f.capture(random(2, 200_000))
		again := f.capture(in)
		r := f.jumping(storagetest.Put, "captures/"+c.ID, 1, func(other *store.Repository) error {
			if err := other.Retire(t.Context(), []string{again.ID}, store.MarkOptions{}); err != nil {
				return err
			}
			_, err := other.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 1})
			return err
		})
		defer r.Close()
		if _, err := r.Repair(t.Context(), store.RepairOptions{}); !errors.Is(err, store.ErrOvertaken) {
			t.Errorf("healing: %v", err)
		}
		f.mem.SetNow(time.Now)
		if files := under(t, f.mem, "captures"); files["captures/"+c.ID] == nil || files["captures/"+c.ID+".1"] != nil {
			t.Errorf("the generation that lacks its slab was not taken back")
		}
	})
}
