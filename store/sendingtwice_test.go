package store_test

import (
	"context"
	"io"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// hookedPut has something done before the first object is put in a folder.
type hookedPut struct {
	storage.Storage
	prefix string
	before func()
}

func (h *hookedPut) Put(ctx context.Context, name string, content io.Reader) error {
	if do := h.before; do != nil && len(name) > len(h.prefix) && name[:len(h.prefix)] == h.prefix {
		h.before = nil
		do()
	}
	return h.Storage.Put(ctx, name, content)
}

// TestSendTwice: two machines that send one capture at the same time, of which the second comes when the first is about to put slabs,
// or its index file. There is one capture, which nothing says was exchanged: not to the machine that saw the other index file, not
// by the capture that comes after it, and not when the lower generation was removed.
func TestSendTwice(t *testing.T) {
	for prefix, generations := range map[string]int{"slabs/": 1, "captures/": 2} {
		f := newFixture(t)
		f.capture([]byte("bean"))
		s := f.newSpool()
		c := s.capture(random(1, 300_000))
		remembering := store.OpenOptions{State: t.TempDir()}
		open := func(st storage.Storage, o store.OpenOptions) *store.Repository {
			t.Helper()
			r, err := store.Open(t.Context(), st, f.key, o)
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		hooked := &hookedPut{f.mem, prefix, func() {
			other := open(f.mem, store.OpenOptions{})
			defer other.Close()
			if _, err := s.Send(t.Context(), c, other, store.SendOptions{Tried: 1}); err != nil {
				t.Error(err)
			}
		}}
		r := open(hooked, remembering)
		sent, err := s.Send(t.Context(), c, r, store.SendOptions{})
		if err != nil {
			t.Fatalf("%s: %v", prefix, err)
		}
		s.checkSent(c, sent, &fixture{t: t, Repository: r})
		if all := listed(t, f.mem, "captures"); len(all) != 1+generations {
			t.Errorf("%s: %d index files", prefix, len(all))
		}
		next := s.capture(random(2, 1000))
		if _, err := s.Send(t.Context(), next, r, store.SendOptions{}); err != nil {
			t.Fatal(err)
		}
		r.Close()
		whole := func() {
			t.Helper()
			for _, o := range []store.OpenOptions{remembering, {}} {
				r := open(f.mem, o)
				if report, err := r.Verify(t.Context(), store.VerifyOptions{}); err != nil || len(report.Damage) > 0 {
					t.Errorf("%s: %+v, %v", prefix, report, err)
				}
				if l, err := r.List(t.Context()); err != nil || len(l.Captures) != 3 || l.Damage != nil {
					t.Errorf("%s: %+v, %v", prefix, l, err)
				}
				if status, err := r.Status(t.Context(), store.StatusOptions{}); err != nil || len(status.Missing) > 0 {
					t.Errorf("%s: %+v, %v", prefix, status, err)
				}
				r.Close()
			}
		}
		whole()
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
		if all := listed(t, f.mem, "captures"); len(all) != 3 {
			t.Errorf("%s: reclaiming leaves %d index files", prefix, len(all))
		}
		whole()
	}
}

// TestSendBesideGarbage: what somebody without a key put under the id of a capture is no capture, and is no reason to fail.
func TestSendBesideGarbage(t *testing.T) {
	for name, garbage := range map[string][]byte{"long": random(3, 2000), "torn": []byte("x"), "none": {}} {
		for _, generations := range [][]string{{""}, {"", ".1"}, {".1"}, {".7"}} {
			f := newFixture(t)
			f.harmed = true
			s := f.newSpool()
			c := s.capture(random(1, 30_000))
			for _, g := range generations {
				put(t, f.mem, "captures/"+c.ID+g, garbage)
			}
			for tried := range 2 {
				sent, err := s.Send(t.Context(), c, f.Repository, store.SendOptions{Tried: tried})
				if err != nil {
					t.Fatalf("%s %q: %v", name, generations, err)
				}
				s.checkSent(c, sent, f)
			}
			if all := listed(t, f.mem, "captures"); len(all) != len(generations)+1 {
				t.Errorf("%s %q: %d index files", name, generations, len(all))
			}
		}
	}
}
