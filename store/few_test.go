package store_test

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// requestsMost is how many requests an unchanged capture may take with opening, however much others wrote; issued one after the other,
// at 20 ms each, they take 0.3 s.
const requestsMost = 16

// TestRequestsOfAnUnchangedCapture: in a repository of 100 machines and 10 TiB.
func TestRequestsOfAnUnchangedCapture(t *testing.T) {
	oneByOne(t)
	for name, input := range map[string]store.VolumeInput{
		"stream": stream(tarOf(t, file{name: "catalogue", content: random(1, 300_000)})),
		"folder": folderInput(tree(t, 300)),
	} {
		t.Run(name, func(t *testing.T) {
			c := &crowded{storage.NewMemory(), make(map[string][]storage.Info)}
			f := newFarther(t, c.Memory, c)
			capture := func(v store.VolumeInput) []string {
				t.Helper()
				_, requests := f.capture("hazel", store.CaptureOptions{}, v)
				return requests
			}
			before := func(ctx context.Context, r *store.Repository) error {
				c, err := r.Before(ctx, "seedbank", "hazel", time.Now())
				if err == nil && c == nil {
					err = errors.New("the capture before is not found")
				}
				return err
			}
			now := time.Now()
			c.add(1, now, 300, 30_000, 0, 0)
			capture(input)
			capture(input) // nothing was there that the first could name as seen
			c.add(1, now, 300, 0, 30_000, 330_000)
			c.work(100)
			capture(input) // a folder of slabs has many more than the time before
			worst := 0
			for i := range 4 {
				if i == 2 {
					c.add(2, now, 1, 100, 100, 1000) // a day of all others
				}
				all := capture(input)
				if worst = max(worst, len(all)); len(all) > requestsMost {
					t.Errorf("unchanged capture %d takes %d requests:\n%s", i, len(all), strings.Join(all, "\n"))
				}
			}
			t.Logf("at most %d requests", worst)
			if all := f.on("hazel", before); len(all) > 5 {
				t.Errorf("to find the capture before takes %d requests, with opening:\n%s", len(all), strings.Join(all, "\n"))
			}
		})
	}
}

// A slab that no table lists, as its writer's way to the store broke off, is found by the next capture of the same service, and of any
// other machine once that writer is taken for dead.
func TestUnlistedIsTakenOver(t *testing.T) {
	for _, stopped := range []string{"hazel", "alder"} {
		t.Run(stopped, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				mem := storage.NewMemory()
				f := newFarther(t, mem, mem)
				in := random(1, 20_000)
				for _, machine := range []string{"alder", "hazel", "hazel"} {
					f.capture(machine, store.CaptureOptions{}, stream(in))
				}
				in = append(in, random(2, 300_000)...)
				faulty := storagetest.NewFaulty(mem)
				faulty.Before(func(m storagetest.Method, name string) {
					if m == storagetest.Put && strings.HasPrefix(name, "tables/") {
						faulty.Inject(storagetest.Fault{})
					}
				})
				if c, err := f.captureOver(faulty, stopped, stream(in)); err == nil {
					t.Fatalf("capture %s: no table could be put", c.ID)
				}
				if stopped == "alder" {
					time.Sleep(time.Hour)
				}
				if c, _ := f.capture("hazel", store.CaptureOptions{}, stream(in)); c.Added > 50_000 {
					t.Errorf("%d bytes are stored again", c.Added)
				}
				if missing := f.whole(); len(missing) > 0 {
					t.Errorf("verifying finds %v", missing)
				}
			})
		})
	}
}

// A small change is stored without a look at what others have; now and then a capture that stores something reads the tables of
// others, so that tables stay few.
func TestSmallChangesReadNoTables(t *testing.T) {
	oneByOne(t)
	mem, clock := storage.NewMemory(), time.Now()
	mem.SetNow(func() time.Time { return clock })
	f := newFarther(t, mem, mem)
	all := random(1, 200_000)
	lists := 0
	for i := range 40 {
		clock = clock.Add(time.Hour)
		f.capture("alder", store.CaptureOptions{}, stream(random(byte(100+i), 3000)))
		all = append(all, random(byte(i+2), 9000)...)
		c, requests := f.capture("hazel", store.CaptureOptions{}, stream(all))
		if i == 0 {
			continue
		}
		if c.Added > 80_000 {
			t.Errorf("capture %d adds %d bytes", i, c.Added)
		}
		if n := asked(requests, "list tables"); n > 0 {
			lists++
		} else if n := asked(requests, "read tables"); n > 0 || len(requests) > 24 {
			t.Errorf("capture %d takes %d requests:\n%s", i, len(requests), strings.Join(requests, "\n"))
		}
	}
	if lists < 3 || lists > 6 {
		t.Errorf("of 39 captures %d listed tables, want one of 9", lists)
	}
	if tables, err := mem.List(t.Context(), "tables"); err != nil || len(tables) > 40 {
		t.Errorf("%d tables after 80 captures (%v)", len(tables), err)
	}
	if missing := f.whole(); len(missing) > 0 {
		t.Errorf("verifying finds %v", missing)
	}
}

// Who goes by notes lists captures once it knows what goes: what was listed before may be gone by then, with the mark that named it.
func TestListsBehindFinals(t *testing.T) {
	mem := storage.NewMemory()
	f := newFarther(t, mem, mem)
	in := stream(random(1, 20_000))
	f.capture("hazel", store.CaptureOptions{}, in)
	_, requests := f.capture("hazel", store.CaptureOptions{}, in)
	var at []int
	for _, what := range []string{"put leases", "list condemned", "list captures"} {
		at = append(at, slices.IndexFunc(requests, func(r string) bool { return strings.HasPrefix(r, what) }))
	}
	if at[0] < 0 || !slices.IsSorted(at) {
		t.Errorf("the steps of a writer stand at %v:\n%s", at, strings.Join(requests, "\n"))
	}
}

// What a final mark names, or may name as it can't be read, is not relied on by notes, either, though the capture that needs it is
// listed yet.
func TestFinalIsNotReliedOnByNotes(t *testing.T) {
	in := random(1, 100_000)
	for name, during := range map[string]func(*farther, []string, func()){
		"named": func(f *farther, ids []string, capture func()) {
			faulty := storagetest.NewFaulty(f.mem)
			r, err := store.Open(f.t.Context(), faulty, f.key, store.OpenOptions{})
			if err != nil {
				f.t.Fatal(err)
			}
			defer r.Close()
			if err := r.Retire(f.t.Context(), ids, store.MarkOptions{}); err != nil {
				f.t.Fatal(err)
			}
			at(faulty, storagetest.Remove, "captures/", "", capture)
			if _, err := r.Reclaim(f.t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
				f.t.Fatal(err)
			}
		},
		"unreadable": func(f *farther, _ []string, capture func()) {
			time.Sleep(time.Minute)
			if err := f.mem.Put(f.t.Context(), "condemned/20260314t0203z-k7f3.final", strings.NewReader("bean")); err != nil {
				f.t.Fatal(err)
			}
			capture()
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				mem := storage.NewMemory()
				f := newFarther(t, mem, mem)
				var ids []string
				for range 3 {
					c, _ := f.capture("hazel", store.CaptureOptions{}, stream(in))
					ids = append(ids, c.ID)
				}
				captured := 0
				during(f, ids, func() { // called by what reclaims, which a test can't end
					captured++
					c, err := f.captureOver(storagetest.NewRequests(f.mem), "hazel", stream(in))
					if err != nil {
						t.Error(err)
					} else if c.Added < uint64(len(in)) {
						t.Errorf("%d bytes are stored: it relies on what goes", c.Added)
					}
				})
				if captured != 1 {
					t.Errorf("%d captures were made meanwhile", captured)
				}
			})
		})
	}
}

// Of much that is new, what others have is not stored again, but for the first MiB.
func TestMuchThatIsNewIsLookedUp(t *testing.T) {
	mem := storage.NewMemory()
	f := newFarther(t, mem, mem)
	in, theirs := random(1, 100_000), random(2, 4_000_000)
	f.capture("hazel", store.CaptureOptions{}, stream(in))
	f.capture("alder", store.CaptureOptions{}, stream(theirs))
	both := slices.Concat(in, theirs)
	c, _ := f.capture("hazel", store.CaptureOptions{}, stream(both))
	if c.Added > alone+100_000 {
		t.Errorf("%d bytes are stored, though all was there", c.Added)
	}
	// What it found there it has from then on.
	c, requests := f.capture("hazel", store.CaptureOptions{}, stream(both))
	if c.Added > 5000 || asked(requests, "list tables") > 0 {
		t.Errorf("an unchanged capture adds %d bytes:\n%s", c.Added, strings.Join(requests, "\n"))
	}
	if missing := f.whole(); len(missing) > 0 {
		t.Errorf("verifying finds %v", missing)
	}
}

// What a draft stored is known to the capture that follows it, and to the one after that.
func TestDraftIsKnown(t *testing.T) {
	mem := storage.NewMemory()
	f := newFarther(t, mem, mem)
	dir := tree(t, 30)
	f.capture("hazel", store.CaptureOptions{}, folderInput(dir))
	for i := range 3 {
		writeFile(t, filepath.Join(dir, "d1", "large"), random(byte(50+i), 300_000))
		o := store.CaptureOptions{Name: "seedbank", Host: "hazel", Volumes: []store.VolumeInput{folderInput(dir)}}
		f.on("hazel", func(ctx context.Context, r *store.Repository) (err error) {
			o.After, err = r.Draft(ctx, o)
			return err
		})
		var c *store.Capture
		f.on("hazel", func(ctx context.Context, r *store.Repository) (err error) {
			if o.After == nil {
				return nil
			}
			before, err := mem.List(ctx, "slabs")
			if err != nil {
				return err
			}
			again, err := r.Draft(ctx, store.CaptureOptions{Name: o.Name, Host: o.Host, Volumes: o.Volumes})
			if err != nil {
				return err
			}
			o.After = again
			if c, err = r.Capture(ctx, o); err != nil {
				return err
			}
			after, err := mem.List(ctx, "slabs")
			if n := sizes(after) - sizes(before); n > 50_000 {
				t.Errorf("%d bytes are stored again after a draft", n)
			}
			return err
		})
		if c.Volumes[0].Reused != int(c.Members) {
			t.Errorf("%d of %d members are taken over", c.Volumes[0].Reused, c.Members)
		}
	}
	if missing := f.whole(); len(missing) > 0 {
		t.Errorf("verifying finds %v", missing)
	}
}

// A machine that lost the copies it pinned, or one of them, reads the tables.
func TestPinsLost(t *testing.T) {
	mem := storage.NewMemory()
	f := newFarther(t, mem, mem)
	in := random(1, 100_000)
	for i := range 4 {
		in = append(in, random(byte(i+2), 50_000)...)
		f.capture("hazel", store.CaptureOptions{}, stream(in))
	}
	pins, err := filepath.Glob(filepath.Join(f.home, "hazel", "cache", "*", "relied", "*-tables", "*"))
	if err != nil || len(pins) < 2 {
		t.Fatalf("pinned: %q, %v", pins, err)
	}
	_, requests := f.capture("hazel", store.CaptureOptions{}, stream(in))
	if asked(requests, "list tables") > 0 {
		t.Errorf("an unchanged capture lists tables:\n%s", strings.Join(requests, "\n"))
	}
	for _, harm := range []func(string) error{os.Remove, func(name string) error { return os.Truncate(name, 100) }} {
		if err := harm(pins[1]); err != nil {
			t.Fatal(err)
		}
		c, requests := f.capture("hazel", store.CaptureOptions{}, stream(in))
		if c.Added > 5000 || asked(requests, "list tables") != 1 {
			t.Errorf("a capture without a pinned table adds %d bytes:\n%s", c.Added, strings.Join(requests, "\n"))
		}
		if pins, err = filepath.Glob(filepath.Join(f.home, "hazel", "cache", "*", "relied", "*-tables", "*")); err != nil || len(pins) < 2 {
			t.Fatalf("pinned: %q, %v", pins, err)
		}
	}
}

// Captures of others are named as seen, by a listing that begins a day before the last one; one that came under an earlier name
// once all are listed again, after a week.
func TestListedLately(t *testing.T) {
	for _, test := range []struct {
		name  string
		taken time.Duration // before it came
		named bool          // by the next capture, not only after a week
	}{
		{"as it came", 0, true}, {"late", 20 * time.Hour, true}, {"of days before", 100 * time.Hour, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				mem := storage.NewMemory()
				f := newFarther(t, mem, mem)
				for range 2 { // the first has nobody to name
					f.capture("hazel", store.CaptureOptions{}, stream(random(1, 20_000)))
				}
				time.Sleep(time.Hour)
				// Nobody else sees it.
				theirs, _ := f.capture("alder", store.CaptureOptions{Taken: time.Now().Add(-test.taken)}, stream(random(2, 20_000)))
				for i, want := range []bool{test.named, true} {
					f.capture("hazel", store.CaptureOptions{}, stream(random(byte(3+i), 20_000)))
					if got := f.misses(theirs); got != want {
						t.Errorf("capture %d: named as seen %v, want %v", i, got, want)
					}
					time.Sleep(8 * 24 * time.Hour)
				}
			})
		})
	}
}

// A capture of what did not change names what others captured, too, within a week.
func TestSeenWithinAWeek(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		mem := storage.NewMemory()
		f := newFarther(t, mem, mem)
		in := stream(random(1, 20_000))
		for range 2 { // the first has nobody to name
			f.capture("hazel", store.CaptureOptions{}, in)
			time.Sleep(time.Hour)
		}
		// Nobody else sees it, and no listing of what came lately has it.
		theirs, _ := f.capture("alder", store.CaptureOptions{Taken: time.Now().Add(-100 * time.Hour)}, stream(random(2, 20_000)))
		for range 3 {
			time.Sleep(60 * time.Hour)
			f.capture("hazel", store.CaptureOptions{}, in)
		}
		if !f.misses(theirs) {
			t.Error("it is not named as seen")
		}
	})
}

// A repository that was put back to an earlier state is listed as a whole: what was listed of another state is not taken for there.
func TestPutBackIsListedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		mem := storage.NewMemory()
		f := newFarther(t, mem, mem)
		f.capture("hazel", store.CaptureOptions{}, stream(random(1, 20_000)))
		before := storage.NewMemory()
		for name, content := range objects(t, mem) {
			if err := before.Put(t.Context(), name, bytes.NewReader(content)); err != nil {
				t.Fatal(err)
			}
		}
		theirs, _ := f.capture("alder", store.CaptureOptions{}, stream(random(2, 20_000)))
		for i := range 3 {
			time.Sleep(30 * time.Hour)
			f.capture("hazel", store.CaptureOptions{}, stream(random(byte(3+i), 20_000)))
		}
		f.mem, f.requests = before, storagetest.NewRequests(before)
		f.capture("hazel", store.CaptureOptions{}, stream(random(9, 20_000)))
		if missing := f.whole(); slices.ContainsFunc(missing, func(what string) bool { return strings.Contains(what, theirs.ID) }) {
			t.Errorf("a capture that was not there is named as seen: %v", missing)
		}
	})
}

// A machine that knows that captures went does not take them for there, by what it listed before.
func TestReclaimedIsNotThere(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		mem := storage.NewMemory()
		f := newFarther(t, mem, mem)
		in := random(1, 20_000)
		var ids []string
		for range 3 {
			time.Sleep(30 * time.Hour)
			c, _ := f.capture("hazel", store.CaptureOptions{}, stream(in))
			ids = append(ids, c.ID)
		}
		f.on("hazel", func(ctx context.Context, r *store.Repository) error {
			if err := r.Retire(ctx, ids[:1], store.MarkOptions{}); err != nil {
				return err
			}
			_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
			return err
		})
		if _, err := mem.Stat(t.Context(), "captures/"+ids[0]); !errors.Is(err, storage.ErrNotFound) {
			t.Fatalf("the capture is there: %v", err)
		}
		for i := range 2 {
			if _, requests := f.capture("hazel", store.CaptureOptions{}, stream(in)); asked(requests, "list elsewhere") > 0 || i == 1 && len(requests) > requestsMost {
				t.Errorf("capture %d after reclaiming takes %d requests:\n%s", i, len(requests), strings.Join(requests, "\n"))
			}
		}
	})
}

// A file that anybody put who has no key, and took away again once it was listed, is no capture that is missed: else nothing would be
// reclaimed any more for the sake of what never was.
func TestWhatNeverWasIsNotMissed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		mem := storage.NewMemory()
		f := newFarther(t, mem, mem)
		f.capture("hazel", store.CaptureOptions{}, stream(random(1, 20_000)))
		time.Sleep(time.Hour)
		forged := names.Capture(names.NewID(time.Now()), 0)
		if err := mem.Put(t.Context(), forged, bytes.NewReader(random(2, 1500))); err != nil {
			t.Fatal(err)
		}
		f.capture("hazel", store.CaptureOptions{}, stream(random(3, 20_000)))
		time.Sleep(30 * time.Hour)
		f.capture("hazel", store.CaptureOptions{}, stream(random(4, 20_000))) // from now on it is not listed
		if err := mem.Remove(t.Context(), forged); err != nil {
			t.Fatal(err)
		}
		f.capture("hazel", store.CaptureOptions{}, stream(random(5, 20_000)))
		if missing := f.whole(); len(missing) > 0 {
			t.Errorf("verifying finds %v", missing)
		}
	})
}
