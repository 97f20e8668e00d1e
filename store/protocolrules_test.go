package store_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"path"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// The tests of this file hold the rules of FORMAT.md, section 10, one by one, on a
// storage whose clock is that of a bubble. TestYears and TestCrash look at their sum.

// call is a call of a storage, and when it was.
type call struct {
	method storagetest.Method
	name   string
	at     time.Time
}

func (c call) is(method storagetest.Method, folder, ending string) bool {
	return c.method == method && strings.HasPrefix(c.name, folder) && strings.HasSuffix(c.name, ending)
}

// timeline takes down the calls of one machine.
type timeline struct {
	mu    sync.Mutex
	calls []call
}

func (l *timeline) note(method storagetest.Method, name string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.calls = append(l.calls, call{method, name, time.Now()})
}

// index gives where the first call of a kind stands, from some place on, or fails.
func (l *timeline) index(t *testing.T, from int, method storagetest.Method, folder, ending string) int {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	i := slices.IndexFunc(l.calls[from:], func(c call) bool { return c.is(method, folder, ending) })
	if i < 0 {
		t.Fatalf("no %s of %s…%s from call %d on", method, folder, ending, from)
	}
	return from + i
}

// last is index for the last call of a kind.
func (l *timeline) last(t *testing.T, method storagetest.Method, folder, ending string) int {
	t.Helper()
	l.mu.Lock()
	defer l.mu.Unlock()
	for i, c := range slices.Backward(l.calls) {
		if c.is(method, folder, ending) {
			return i
		}
	}
	t.Fatalf("no %s of %s…%s", method, folder, ending)
	return 0
}

// sleeper is what one machine sees: it can fall asleep for so long that others
// take it for dead, since its lease is not renewed meanwhile.
type sleeper struct {
	*storagetest.Faulty
	asleep atomic.Bool
}

var errAsleep = errors.New("asleep")

func (s *sleeper) Put(ctx context.Context, name string, content io.Reader) error {
	if s.asleep.Load() && path.Dir(name) == "leases" && !strings.HasSuffix(name, ".0") {
		return &storage.Error{Op: "write", Name: name, Err: errAsleep}
	}
	return s.Faulty.Put(ctx, name, content)
}

// sleepWhile lets 40 minutes pass, in which somebody else may do something.
func (s *sleeper) sleepWhile(do func()) {
	s.asleep.Store(true)
	time.Sleep(40 * time.Minute)
	if do != nil {
		do()
	}
	s.asleep.Store(false)
}

// sleeper opens the repository as a machine that can fall asleep.
func (f *fixture) sleeper() (*sleeper, *store.Repository) {
	f.t.Helper()
	s := &sleeper{Faulty: storagetest.NewFaulty(f.mem)}
	r, err := store.Open(f.t.Context(), s, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { r.Close() })
	return s, r
}

// blind is what a machine sees whose listings are late: no mark that names slabs
// finally is among them.
type blind struct{ *storagetest.Faulty }

func (b *blind) List(ctx context.Context, folder string) ([]storage.Info, error) {
	infos, err := b.Faulty.List(ctx, folder)
	return slices.DeleteFunc(infos, func(i storage.Info) bool { return strings.HasSuffix(i.Name, ".final") }), err
}

// blind opens the repository as a machine whose listings are late.
func (f *fixture) blind() (*blind, *store.Repository) {
	f.t.Helper()
	b := &blind{storagetest.NewFaulty(f.mem)}
	r, err := store.Open(f.t.Context(), b, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	f.t.Cleanup(func() { r.Close() })
	return b, r
}

// at has a function run before the first call of a kind.
func at(f *storagetest.Faulty, method storagetest.Method, folder, ending string, do func()) {
	once := newFirstCall()
	f.Before(func(m storagetest.Method, name string) {
		if (call{method: m, name: name}).is(method, folder, ending) {
			once.Do(do)
		}
	})
}

// bubble runs a test on a repository whose clock stands still but for those who sleep.
func bubble(t *testing.T, test func(t *testing.T, f *fixture)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		defer f.Close()
		test(t, f)
	})
}

var (
	shared = random(1, 400_000)
	own    = random(2, 200_000)
)

func captureWith(ctx context.Context, r *store.Repository, b ...[]byte) (*store.Capture, error) {
	return r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(bytes.Join(b, nil))}})
}

// expectWhole makes sure that a capture of shared and own restores, as a machine sees it that
// comes new.
func (f *fixture) expectWhole(id string) {
	f.t.Helper()
	_, r := f.beside()
	c, err := r.Find(f.t.Context(), id)
	if err != nil {
		f.t.Fatal(err)
	}
	var out bytes.Buffer
	if err := r.Restore(f.t.Context(), &c.Volumes[0], &out, store.RestoreOptions{}); err != nil || !bytes.Equal(out.Bytes(), bytes.Join([][]byte{shared, own}, nil)) {
		f.t.Errorf("capture %s: %d bytes, %v", id, out.Len(), err)
	}
}

// TestWriterLeaseIsFirst: a writer puts its lease before it looks at what goes, and looks
// at that before it lists what it may rely on; and removes it behind the index file.
func TestWriterLeaseIsFirst(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.capture(shared)
		s, r := f.sleeper()
		var l timeline
		s.Before(l.note)
		if _, err := captureWith(t.Context(), r, shared, own); err != nil {
			t.Fatal(err)
		}
		steps := []int{
			l.index(t, 0, storagetest.Put, "leases/", ".0"), l.index(t, 0, storagetest.List, "condemned", ""),
			l.index(t, 0, storagetest.List, "slabs", ""), l.index(t, 0, storagetest.Put, "slabs/", ""),
			l.index(t, 0, storagetest.Put, "tables/", ""), l.index(t, 0, storagetest.Put, "captures/", ""),
			l.index(t, 0, storagetest.Remove, "leases/", ".0"),
		}
		if !slices.IsSorted(steps) {
			t.Errorf("the steps of a writer stand at %v", steps)
		}
	})
}

// TestCommitOfALapsedLease: a writer that slept for so long that it was taken for dead looks whether
// what it relies on is there, and commits only then.
func TestCommitOfALapsedLease(t *testing.T) {
	for name, reclaimed := range map[string]bool{"its slab went": true, "all is there": false} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, f *fixture) {
				f.retire(f.capture(shared))
				s, r := f.sleeper()
				slept := newFirstCall()
				s.Before(func(m storagetest.Method, name string) {
					switch c := (call{method: m, name: name}); {
					case c.is(storagetest.Put, "slabs/", ""):
						slept.Do(func() {
							s.sleepWhile(func() {
								if reclaimed {
									f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
								}
							})
						})
					case reclaimed && c.is(storagetest.Put, "captures/", ""):
						t.Errorf("%s is put, which relies on a slab that went", name)
					}
				})
				c, err := captureWith(t.Context(), r, shared, own)
				switch {
				case reclaimed && !errors.Is(err, store.ErrOvertaken):
					t.Errorf("committed what relies on a slab that went: %v, %v", c, err)
				case !reclaimed && err != nil:
					t.Error(err)
				}
				if err != nil {
					if all, err := f.AllCaptures(t.Context()); err != nil || len(all) > 0 {
						t.Errorf("%d captures, %v", len(all), err)
					}
				}
			})
		})
	}
}

// TestCommitThatTakesLong: where putting the index file took so long that its writer was
// taken for dead, it is removed again if what it relies on went.
func TestCommitThatTakesLong(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.retire(f.capture(shared))
		s, r := f.sleeper()
		var l timeline
		slept := newFirstCall()
		s.Before(func(m storagetest.Method, name string) {
			if l.note(m, name); (call{method: m, name: name}).is(storagetest.Put, "captures/", "") {
				slept.Do(func() {
					s.sleepWhile(func() { f.reclaim(store.ReclaimOptions{Grace: store.NoGrace}) })
				})
			}
		})
		if c, err := captureWith(t.Context(), r, shared, own); !errors.Is(err, store.ErrOvertaken) {
			t.Errorf("%v, %v", c, err)
		}
		if all, err := f.AllCaptures(t.Context()); err != nil || len(all) > 0 {
			t.Errorf("%d captures, %v", len(all), err)
		}
		marks, err := f.mem.List(t.Context(), "condemned")
		if n := len(slices.DeleteFunc(marks, func(i storage.Info) bool { return !strings.HasSuffix(i.Name, ".gone") })); err != nil || n != 2 {
			t.Errorf("%d marks name captures that are gone, want that of what was reclaimed and that of what was withdrawn (%v)", n, err)
		}
		if l.last(t, storagetest.Put, "condemned/", ".gone") > l.last(t, storagetest.Remove, "captures/", "") {
			t.Error("the index file goes before it is said that it does")
		}
	})
}

// TestMarkedBesideAFinal: whoever holds a capture, or takes it back, while a final mark comes that can't be read is told that it may be
// going.
func TestMarkedBesideAFinal(t *testing.T) {
	for name, test := range map[string]struct {
		ending string // of the mark that is put
		do     func(context.Context, *store.Repository, string) error
	}{
		"held": {"", func(ctx context.Context, r *store.Repository, id string) error {
			return r.Hold(ctx, []string{id}, store.MarkOptions{})
		}},
		"taken back": {".undone", func(ctx context.Context, r *store.Repository, id string) error {
			return r.Reinstate(ctx, []string{id}, store.MarkOptions{})
		}},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, f *fixture) {
				f.harmed = true
				c := f.capture(shared)
				if test.ending != "" {
					f.retire(c)
				}
				s, r := f.sleeper()
				came := false
				s.Before(func(m storagetest.Method, name string) {
					if m != storagetest.Put || !strings.HasSuffix(name, test.ending) || strings.HasPrefix(name, "leases/") || came {
						return
					}
					came = true
					if err := f.mem.Put(t.Context(), "condemned/20260314t0203z-k7f3.final", strings.NewReader("bean")); err != nil {
						t.Error(err)
					}
				})
				if err := test.do(t.Context(), r, c.ID); !errors.Is(err, store.ErrOvertaken) || !came {
					t.Errorf("%v, want ErrOvertaken (the mark came: %v)", err, came)
				}
			})
		})
	}
}

// TestFinalThatComesUnreadable: a final mark that can't be read, and comes while a writer is at work, may name what it relies on.
func TestFinalThatComesUnreadable(t *testing.T) {
	for name, test := range map[string]struct {
		folder string // what is put when it comes
		sleeps bool
	}{
		"before the index file": {"slabs/", false}, "behind it": {"captures/", false}, "while it sleeps": {"slabs/", true},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, f *fixture) {
				f.harmed = true
				f.capture(shared)
				time.Sleep(time.Minute)
				s, r := f.sleeper()
				comes := func() {
					if err := f.mem.Put(t.Context(), "condemned/20260314t0203z-k7f3.final", strings.NewReader("bean")); err != nil {
						t.Error(err)
					}
				}
				came := newFirstCall()
				s.Before(func(m storagetest.Method, name string) {
					c := call{method: m, name: name}
					if test.folder != "captures/" && c.is(storagetest.Put, "captures/", "") {
						t.Errorf("%s is put", name)
					}
					if c.is(storagetest.Put, test.folder, "") {
						came.Do(func() {
							if comes(); test.sleeps {
								s.sleepWhile(nil)
							}
						})
					}
				})
				if c, err := captureWith(t.Context(), r, shared, own); !errors.Is(err, store.ErrOvertaken) {
					t.Errorf("%v, %v", c, err)
				}
				if all, err := f.AllCaptures(t.Context()); err != nil || len(all) != 1 {
					t.Errorf("%d captures, %v", len(all), err)
				}
			})
		})
	}
}

// TestFinalIsNotReliedOn: whoever begins to capture while slabs are being removed stores
// again what is in them.
func TestFinalIsNotReliedOn(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.retire(f.capture(shared))
		watched, r := f.beside()
		var id string
		at(watched, storagetest.Remove, "slabs/", "", func() {
			_, other := f.beside()
			c, err := captureWith(t.Context(), other, shared, own)
			if err != nil {
				t.Fatal(err)
			}
			if id = c.ID; c.Added < uint64(len(shared)+len(own)) {
				t.Errorf("added %d bytes: it relies on what goes", c.Added)
			}
		})
		if out, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil || out.Slabs == 0 {
			t.Fatalf("%+v, %v", out, err)
		}
		f.expectWhole(id)
	})
}

// TestUnreadableFinal: where it can't be known which slabs go, none is relied on that is older.
func TestUnreadableFinal(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.harmed = true
		f.capture(shared)
		time.Sleep(time.Minute)
		if err := f.mem.Put(t.Context(), "condemned/20260314t0203z-k7f3.final", strings.NewReader("bean")); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Minute)
		if c := f.capture(shared); c.Added < uint64(len(shared)) {
			t.Errorf("added %d bytes: it relies on what may go", c.Added)
		}
		time.Sleep(time.Minute)
		if c := f.capture(shared); c.Added > uint64(len(shared))/2 {
			t.Errorf("added %d bytes: it does not rely on what is younger", c.Added)
		}
	})
}

// TestLookAgain: a writer that began before slabs were named finally, did not see it, and committed
// before the leases were read, keeps the slab that it relies on.
func TestLookAgain(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.retire(f.capture(shared))
		late, r := f.blind()
		goOn, waits, done := make(chan struct{}), make(chan struct{}), make(chan struct{})
		at(late.Faulty, storagetest.Put, "captures/", "", func() { close(waits); <-goOn })
		var id string
		watched, reclaiming := f.beside()
		begin, read := sync.Once{}, sync.Once{}
		var named atomic.Bool
		watched.Before(func(m storagetest.Method, name string) {
			switch c := (call{method: m, name: name}); {
			case c.is(storagetest.Put, "condemned/", ".final"):
				begin.Do(func() {
					go func() {
						defer close(done)
						c, err := captureWith(t.Context(), r, shared, own)
						if err != nil {
							t.Error(err)
							return
						}
						id = c.ID
					}()
					<-waits
					named.Store(true)
				})
			case named.Load() && c.is(storagetest.List, "leases", ""):
				read.Do(func() { close(goOn); <-done })
			}
		})
		if _, err := reclaiming.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
			t.Fatal(err)
		}
		f.expectWhole(id)
	})
}

// TestReclaimWaitsForWriters: while a writer is at work that began before slabs were named finally,
// and did not see it, nothing is removed.
func TestReclaimWaitsForWriters(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.retire(f.capture(shared))
		late, r := f.blind()
		goOn, waits, done := make(chan struct{}), make(chan struct{}), make(chan struct{})
		at(late.Faulty, storagetest.Put, "captures/", "", func() { close(waits); <-goOn })
		var id string
		watched, reclaiming := f.beside()
		at(watched, storagetest.Put, "condemned/", ".final", func() {
			go func() {
				defer close(done)
				c, err := captureWith(t.Context(), r, shared, own)
				if err != nil {
					t.Error(err)
					return
				}
				id = c.ID
			}()
			<-waits
		})
		out, err := reclaiming.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace})
		if err != nil || out.Slabs != 0 || len(out.Captures) != 0 || len(out.Waiting) != 1 {
			t.Errorf("%+v, %v", out, err)
		}
		close(goOn)
		<-done
		f.expectWhole(id)
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
		f.expectWhole(id)
	})
}

// prepareRemoval leaves a retired capture whose slabs were announced a grace time ago.
func (f *fixture) prepareRemoval(contents ...[]byte) {
	f.t.Helper()
	for _, b := range contents {
		f.retire(f.capture(b))
	}
	f.reclaim(store.ReclaimOptions{})
	time.Sleep(f.Grace() + time.Hour)
}

// TestReclaimWaitsForListings: two minutes until leases are read, one more until index files are, and
// one between the last slab and the mark that names it (nfs(5), acdirmax: 60 s).
func TestReclaimWaitsForListings(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.prepareRemoval(shared)
		watched, r := f.beside()
		var l timeline
		watched.Before(l.note)
		if out, err := r.Reclaim(t.Context(), store.ReclaimOptions{}); err != nil || out.Slabs == 0 {
			t.Fatalf("%+v, %v", out, err)
		}
		final := l.index(t, 0, storagetest.Put, "condemned/", ".final")
		leases := l.index(t, final, storagetest.List, "leases", "")
		captures := l.index(t, leases, storagetest.List, "captures", "")
		slab := l.last(t, storagetest.Remove, "slabs/", "")
		mark := l.index(t, slab, storagetest.Remove, "condemned/", ".final")
		for _, w := range []struct {
			what     string
			from, to int
			at       time.Duration
		}{
			{"until leases are read", final, leases, 2 * time.Minute},
			{"until index files are read again", leases, captures, time.Minute},
			{"until the mark goes", slab, mark, time.Minute},
		} {
			if took := l.calls[w.to].at.Sub(l.calls[w.from].at); took < w.at {
				t.Errorf("%s: %v", w.what, took)
			}
		}
	})
}

// TestOrderOfRemoval: what is gone is named, then its index files go, then slabs, then marks.
func TestOrderOfRemoval(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.capture(own)
		f.prepareRemoval(shared)
		watched, r := f.beside()
		var l timeline
		watched.Before(l.note)
		if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{}); err != nil {
			t.Fatal(err)
		}
		steps := []int{
			l.index(t, 0, storagetest.Put, "condemned/", ".final"), l.index(t, 0, storagetest.Put, "condemned/", ".gone"),
			l.index(t, 0, storagetest.Remove, "captures/", ""), l.last(t, storagetest.Remove, "captures/", ""),
			l.index(t, 0, storagetest.Remove, "slabs/", ""), l.last(t, storagetest.Remove, "slabs/", ""),
			l.index(t, 0, storagetest.Remove, "retired/", ""), l.index(t, 0, storagetest.Remove, "condemned/", ".final"),
		}
		if !slices.IsSorted(steps) {
			t.Errorf("the steps stand at %v", steps)
		}
	})
}

// firstCall does something at the first of some calls. Others wait for it, as those of a machine that
// sleeps: on a channel, of which bubbles of synctest know.
type firstCall struct {
	began atomic.Bool
	ended chan struct{}
}

func newFirstCall() *firstCall { return &firstCall{ended: make(chan struct{})} }

func (c *firstCall) Do(do func()) {
	if !c.began.CompareAndSwap(false, true) {
		<-c.ended
		return
	}
	defer close(c.ended)
	do()
}

// TestReclaimerThatSlept: whoever was taken for dead while reclaiming removes nothing more.
func TestReclaimerThatSlept(t *testing.T) {
	for name, c := range map[string]struct {
		method         storagetest.Method
		folder, ending string
		removed        int // slabs, after that call
	}{
		"before looking again": {storagetest.List, "leases", "", 0},
		// Both were about to be removed when it fell asleep: nothing is lost by that, as both are named
		// finally, and it does nothing after them.
		"between two slabs":     {storagetest.Remove, "slabs/", "", 2},
		"before the index file": {storagetest.Put, "condemned/", ".gone", 0},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, f *fixture) {
				f.prepareRemoval(shared, own)
				before, listed := f.count("slabs"), f.count("captures")
				s, r := f.sleeper()
				var named atomic.Bool
				once := newFirstCall()
				s.Before(func(m storagetest.Method, name string) {
					got := call{method: m, name: name}
					if got.is(storagetest.Put, "condemned/", ".final") {
						named.Store(true)
					}
					if named.Load() && got.is(c.method, c.folder, c.ending) {
						once.Do(func() { s.sleepWhile(nil) })
					}
				})
				_, err := r.Reclaim(t.Context(), store.ReclaimOptions{})
				if !errors.Is(err, store.ErrOvertaken) {
					t.Errorf("reclaimed after it was taken for dead: %v", err)
				}
				if got := before - f.count("slabs"); got != c.removed {
					t.Errorf("%d slabs were removed, of %d", got, before)
				}
				if n := f.count("captures"); c.removed == 0 && n != listed {
					t.Errorf("%d index files are left, of %d", n, listed)
				}
				time.Sleep(time.Hour)
				f.reclaim(store.ReclaimOptions{})
				if n := f.count("slabs"); n > 0 {
					t.Errorf("the next run leaves %d slabs", n)
				}
			})
		})
	}
}

func (f *fixture) count(folder string) int {
	f.t.Helper()
	infos, err := f.mem.List(f.t.Context(), folder)
	if err != nil {
		f.t.Fatal(err)
	}
	return len(infos)
}

// TestMoverThatSlept: whoever was taken for dead while it moved rests puts no index file.
func TestMoverThatSlept(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		both := f.capture(tarOf(t, file{name: "a", content: shared}, file{name: "b", content: own}))
		kept := tarOf(t, file{name: "b", content: own})
		id := f.capture(kept).ID
		f.retire(both)
		s, r := f.sleeper()
		at(s.Faulty, storagetest.Put, "slabs/", "", func() { s.sleepWhile(nil) })
		before := s.Calls(storagetest.Put)
		_, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01})
		if !errors.Is(err, store.ErrOvertaken) || s.Calls(storagetest.Put) == before {
			t.Errorf("moved after it was taken for dead: %v", err)
		}
		infos, err := f.mem.List(t.Context(), "captures")
		if err != nil {
			t.Fatal(err)
		}
		for _, i := range infos {
			if strings.Count(path.Base(i.Name), ".") > 0 {
				t.Errorf("%s was put", i.Name)
			}
		}
		c := mustFind(f, id)
		if !bytes.Equal(f.restore(c), kept) {
			t.Error("it restores to something else")
		}
	})
}

// TestMarkerThatSlept: whoever was taken for dead between looking and marking marks nothing.
func TestMarkerThatSlept(t *testing.T) {
	for name, mark := range map[string]func(r *store.Repository, id string) error{
		"hold": func(r *store.Repository, id string) error {
			return r.Hold(context.Background(), []string{id}, store.MarkOptions{})
		},
		"reinstate": func(r *store.Repository, id string) error {
			return r.Reinstate(context.Background(), []string{id}, store.MarkOptions{})
		},
		"amend": func(r *store.Repository, id string) error {
			_, err := r.Amend(context.Background(), id, store.AmendOptions{Note: text("x")})
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, f *fixture) {
				c := f.capture(shared)
				if name == "reinstate" {
					f.retire(c)
				}
				s, r := f.sleeper()
				at(s.Faulty, storagetest.List, "captures", "", func() { s.sleepWhile(nil) })
				if err := mark(r, c.ID); !errors.Is(err, store.ErrOvertaken) {
					t.Errorf("marked after it was taken for dead: %v", err)
				}
				got := mustFind(f, c.ID)
				if got.Amended != nil || got.Held || name == "reinstate" && got.Retired == nil {
					t.Errorf("held: %v, retired: %v", got.Held, got.Retired)
				}
			})
		})
	}
}

// TestTablesStayForListers: tables whose records are in others are removed two minutes after
// those were put, not before.
func TestTablesStayForListers(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		watched, r := f.beside()
		var removed atomic.Int64
		watched.Before(func(m storagetest.Method, name string) {
			if (call{method: m, name: name}).is(storagetest.Remove, "tables/", "") {
				removed.Add(1)
			}
		})
		few := func(from int) {
			for i := range 12 {
				if _, err := captureWith(t.Context(), r, random(byte(from+i), 20_000)); err != nil {
					t.Fatal(err)
				}
				time.Sleep(time.Second) // as the clock of a medium tells captures apart
			}
		}
		few(10)
		if n := removed.Load(); n > 0 {
			t.Errorf("%d tables were removed at once", n)
		}
		time.Sleep(3 * time.Minute)
		few(40)
		if removed.Load() == 0 {
			t.Error("no table was removed later")
		}
	})
}

// asideStorage notes how old files have to be that were written aside, to be removed.
type asideStorage struct {
	*storagetest.Faulty
	age time.Duration
}

func (s *asideStorage) RemoveAside(_ context.Context, age time.Duration) ([]storage.Info, error) {
	s.age = age
	return nil, nil
}

// TestFilesAsideStayForADay: a slab that fills slowly may stand aside for hours.
func TestFilesAsideStayForADay(t *testing.T) {
	f := newFixture(t)
	f.capture(shared)
	s := &asideStorage{Faulty: storagetest.NewFaulty(f.mem)}
	r, err := store.Open(t.Context(), s, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
		t.Fatal(err)
	}
	if s.age < 24*time.Hour {
		t.Errorf("files aside are removed after %v", s.age)
	}
}
