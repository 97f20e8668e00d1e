package store

import (
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

	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// copying is a run that copies a capture which relies on slabs of a retired one there, seen from both places, in a bubble.
type copying struct {
	t          *testing.T
	a, b       *site
	from, to   *watchedPlace
	capture    *Capture
	contents   string
	ended      []*Repository
	here, also *machine
}

// watchedPlace is what the machine that copies sees of a place. Asleep, it renews no lease; late, it is shown by its share no
// final mark, and leases that are gone.
type watchedPlace struct {
	*storagetest.Faulty
	asleep, late atomic.Bool
	leases       sync.Map // name to Info
	hooks        []func(m storagetest.Method, name string)
}

func (w *watchedPlace) Put(ctx context.Context, name string, content io.Reader) error {
	if w.asleep.Load() && path.Dir(name) == names.Leases && !strings.HasSuffix(name, ".0") {
		return &storage.Error{Op: "write", Name: name, Err: errors.New("asleep")}
	}
	return w.Faulty.Put(ctx, name, content)
}

func (w *watchedPlace) List(ctx context.Context, folder string) ([]storage.Info, error) {
	infos, err := w.Faulty.List(ctx, folder)
	if w.late.Load() {
		infos = slices.DeleteFunc(infos, func(i storage.Info) bool { return strings.HasSuffix(i.Name, ".final") })
	}
	return infos, err
}

func (w *watchedPlace) Stat(ctx context.Context, name string) (storage.Info, error) {
	info, err := w.Faulty.Stat(ctx, name)
	if path.Dir(name) != names.Leases {
		return info, err
	}
	if err == nil {
		w.leases.Store(name, info)
	} else if seen, ok := w.leases.Load(name); ok && w.late.Load() {
		return seen.(storage.Info), nil
	}
	return info, err
}

// at runs something before the first call of a kind, from then on when ready is done, if it is set.
func (w *watchedPlace) at(m storagetest.Method, folder string, ready *atomic.Bool, do func()) {
	var once atomic.Bool
	w.hooks = append(w.hooks, func(method storagetest.Method, name string) {
		if method == m && strings.HasPrefix(name, folder) && (ready == nil || ready.Load()) && once.CompareAndSwap(false, true) {
			do()
		}
	})
	w.Before(func(method storagetest.Method, name string) {
		for _, hook := range w.hooks {
			hook(method, name)
		}
	})
}

// inCopying runs a test in a bubble.
func inCopying(t *testing.T, test func(c *copying)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		c := &copying{t: t, a: newSite(t), contents: text(1, 300_000) + text(2, 200_000)}
		c.b = c.a.replica()
		here, there := c.a.open(""), c.b.open("")
		old := here.put("seedbank", text(1, 300_000))
		here.replicate(there)
		here.put("press", text(9, 50_000)) // so that something is left there
		here.replicate(there)
		if err := there.Retire(t.Context(), []string{old.ID}, MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		c.capture = here.put("seedbank", c.contents)
		time.Sleep(time.Hour)
		c.here, c.also = here, there
		c.from, c.to = &watchedPlace{Faulty: storagetest.NewFaulty(c.a.mem)}, &watchedPlace{Faulty: storagetest.NewFaulty(c.b.mem)}
		defer func() {
			for _, r := range append(c.ended, here.Repository, there.Repository) {
				r.Close()
			}
		}()
		test(c)
		c.b.mem.SetNow(time.Now)
		there.wholeInFull()
		if found, err := there.Find(t.Context(), c.capture.ID); err == nil && string(there.restored(found)) != c.contents {
			t.Error("it restores to something else")
		}
	})
}

// run copies all.
func (c *copying) run() (*Replicated, error) {
	from, to := c.a.openOver(c.t, c.from), c.b.openOver(c.t, c.to)
	c.ended = append(c.ended, from, to)
	return from.Replicate(c.t.Context(), to, ReplicateOptions{})
}

// reclaim has another machine remove there what is retired.
func (c *copying) reclaim() {
	if out, err := c.also.Reclaim(c.t.Context(), ReclaimOptions{Grace: NoGrace}); err != nil || out.Slabs == 0 {
		c.t.Errorf("reclaiming: %+v, %v", out, err)
	}
}

// sleep lets 40 minutes pass, after which something is done there.
func (c *copying) sleep(do func()) {
	c.to.asleep.Store(true)
	time.Sleep(40 * time.Minute)
	if do != nil {
		do()
	}
	c.to.asleep.Store(false)
}

// jump sets the clock there ahead, so that each lease looks dead.
func (c *copying) jump() {
	c.b.mem.SetNow(func() time.Time { return time.Now().Add(time.Hour) })
}

// isThere tells whether the capture is in the place that is copied to.
func (c *copying) isThere() bool { return slices.Contains(c.also.ids(), c.capture.ID) }

// unreadableFinal puts a mark there that may name any slab.
func (c *copying) unreadableFinal() (name string) {
	name = names.Condemned + "/20260314t0203z-k7f3.final"
	if err := c.b.mem.Put(c.t.Context(), name, strings.NewReader("bean")); err != nil {
		c.t.Error(err)
	}
	return name
}

// Whoever copies and was taken for dead relies on nothing that went meanwhile, at whatever moment it slept or the clock jumped.
func TestReplicatorLooksAgain(t *testing.T) {
	for _, at := range []struct {
		name   string
		method storagetest.Method
		folder string
		do     func(c *copying)
		arrive bool
	}{
		{"it slept before its slab is put", storagetest.Put, names.Slabs, func(c *copying) { c.sleep(c.reclaim) }, true},
		{"it slept before its index file is put", storagetest.Put, names.Captures, func(c *copying) { c.sleep(c.reclaim) }, false},
		{"and its share is late", storagetest.Put, names.Captures, func(c *copying) { c.sleep(func() { c.reclaim(); c.to.late.Store(true) }) }, false},
		{"the clock jumps before its index file is put", storagetest.Put, names.Captures, func(c *copying) { c.jump(); c.reclaim() }, false},
	} {
		t.Run(at.name, func(t *testing.T) {
			inCopying(t, func(c *copying) {
				c.to.at(at.method, at.folder, nil, func() { at.do(c) })
				out, err := c.run()
				if at.arrive != (err == nil) || err != nil && !errors.Is(err, ErrOvertaken) {
					c.t.Errorf("%+v, %v", out, err)
				}
				if c.isThere() != at.arrive {
					c.t.Errorf("it is there: %t", !at.arrive)
				}
			})
		})
	}
}

// A final mark that can't be read and comes meanwhile may name what is relied on: the index file is withdrawn, but for one that
// somebody else put. Whoever saw the capture until then does not miss it. A mark that was there before is no threat.
func TestReplicatorWithdraws(t *testing.T) {
	for _, others := range []bool{false, true} {
		inCopying(t, func(c *copying) {
			var mark string
			var put atomic.Bool
			c.to.at(storagetest.Put, names.Captures, nil, func() {
				mark = c.unreadableFinal()
				if others {
					c.b.exchangeOrPut(c.capture.ID, c.a)
				}
				put.Store(true)
			})
			// Once it is there, somebody sees it.
			c.to.at(storagetest.List, names.Condemned, &put, func() {
				time.Sleep(time.Second)
				c.also.put("mill", text(8, 50_000))
			})
			if out, err := c.run(); !errors.Is(err, ErrOvertaken) || len(out.Sent) > 0 {
				c.t.Errorf("others %t: %+v, %v", others, out, err)
			}
			if c.isThere() != others {
				c.t.Errorf("others %t: it is there: %t", others, !others)
			}
			c.b.remove(mark)
		})
	}
	inCopying(t, func(c *copying) {
		mark := c.unreadableFinal()
		time.Sleep(time.Minute)
		here := c.a.open("")
		c.ended = append(c.ended, here.Repository)
		fresh := here.put("mill", text(7, 100_000))
		out, err := c.here.Replicate(c.t.Context(), c.also.Repository, ReplicateOptions{Captures: []string{fresh.ID}})
		if err != nil || !slices.Equal(out.Sent, []string{fresh.ID}) {
			c.t.Errorf("a mark from before: %+v, %v", out, err)
		}
		c.b.remove(mark)
	})
}

// exchangeOrPut puts the index file of a capture as it is in another place.
func (s *site) exchangeOrPut(id string, of *site) {
	name := of.fileOf(id)
	if err := s.mem.Put(s.t.Context(), name, strings.NewReader(string(of.read(name)))); err != nil {
		s.t.Error(err)
	}
}

// Whoever slept right before it puts an index file, or tidies marks, does neither.
func TestReplicatorThatSlept(t *testing.T) {
	t.Run("before the index file", func(t *testing.T) {
		inCopying(t, func(c *copying) {
			var put atomic.Bool
			c.to.at(storagetest.Put, names.Tables, nil, func() { put.Store(true) })
			c.from.at(storagetest.ReadAt, names.Captures, &put, func() { c.sleep(nil) })
			if out, err := c.run(); !errors.Is(err, ErrOvertaken) || c.isThere() {
				c.t.Errorf("%+v, %v", out, err)
			}
		})
	})
	t.Run("before tidying", func(t *testing.T) {
		inCopying(t, func(c *copying) {
			last := c.here.put("mill", text(7, 100_000))
			if out := c.here.replicate(c.also, last.ID); len(out.Sent) != 1 { // so that a mark names the other
				c.t.Errorf("%+v", out)
			}
			var put atomic.Bool
			c.to.at(storagetest.Put, names.Captures, nil, func() { put.Store(true) })
			c.to.at(storagetest.List, names.Elsewhere, &put, func() { c.sleep(nil) })
			before, _ := c.b.mem.List(c.t.Context(), names.Elsewhere)
			if out, err := c.run(); !errors.Is(err, ErrOvertaken) || !slices.Contains(out.Sent, c.capture.ID) {
				c.t.Errorf("%+v, %v", out, err)
			}
			if after, _ := c.b.mem.List(c.t.Context(), names.Elsewhere); len(before) == 0 || !slices.Equal(before, after) {
				c.t.Errorf("there were %v and are %v", before, after)
			}
		})
	})
}

// What is copied stays where it is read, as long as it is read.
func TestReplicatorIsWaitedFor(t *testing.T) {
	inCopying(t, func(c *copying) {
		if err := c.here.Retire(c.t.Context(), []string{c.capture.ID}, MarkOptions{}); err != nil {
			c.t.Fatal(err)
		}
		from, to := c.a.openOver(c.t, c.from), c.b.openOver(c.t, c.to)
		c.ended = append(c.ended, from, to)
		c.from.at(storagetest.ReadAt, names.Slabs, nil, func() {
			out, err := c.here.Reclaim(c.t.Context(), ReclaimOptions{Grace: NoGrace})
			if err != nil || len(out.Waiting) != 1 || out.Slabs > 0 {
				c.t.Errorf("%+v, %v", out, err)
			}
		})
		out, err := from.Replicate(c.t.Context(), to, ReplicateOptions{Captures: []string{c.capture.ID}})
		if err != nil || !slices.Equal(out.Sent, []string{c.capture.ID}) {
			c.t.Errorf("%+v, %v", out, err)
		}
	})
}
