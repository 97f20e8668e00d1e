package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"path"
	"sync/atomic"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// TestTakenBackJustBefore: a capture whose retirement was undone by somebody who did not see the final mark yet
// stays, with all of its slabs.
func TestTakenBackJustBefore(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		c := f.capture(append(append([]byte{}, shared...), own...))
		f.retire(c)
		watched, r := f.beside()
		at(watched, storagetest.Put, "condemned/", ".final", func() {
			if err := f.Reinstate(t.Context(), []string{c.ID}, store.MarkOptions{}); err != nil {
				t.Errorf("taking back: %v", err)
			}
		})
		out, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace})
		if err != nil || out.Slabs > 0 || len(out.Captures) > 0 {
			t.Errorf("%+v, %v", out, err)
		}
		f.expectWhole(c.ID)
	})
}

// TestSlabsThatWentByHand: where putting the index file took so long that the lease may have been taken for
// dead, it is looked whether the slabs are there: who removed them may have left no mark, and the lease.
func TestSlabsThatWentByHand(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.harmed = true
		f.capture(shared)
		s, r := f.sleeper()
		slabs := under(t, f.mem, "slabs")
		at(s.Faulty, storagetest.Put, "captures/", "", func() {
			s.sleepWhile(func() {
				for name := range slabs {
					if err := f.mem.Remove(t.Context(), name); err != nil {
						t.Error(err)
					}
				}
			})
		})
		if c, err := captureWith(t.Context(), r, shared, own); !errors.Is(err, store.ErrOvertaken) {
			t.Errorf("%v, %v", c, err)
		}
		if n := f.count("captures"); n != 1 {
			t.Errorf("%d index files", n)
		}
	})
}

// TestAnnouncementsThatWait: an announcement stays while others are done with, so that what it names goes when its
// own grace time has passed.
func TestAnnouncementsThatWait(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.capture(random(3, 100_000))
		first, second := f.capture(shared), f.capture(own)
		day := 24 * time.Hour
		f.retire(first)
		f.reclaim(store.ReclaimOptions{})
		time.Sleep(4 * day)
		f.retire(second)
		f.reclaim(store.ReclaimOptions{})
		time.Sleep(4 * day)
		if out := f.reclaim(store.ReclaimOptions{}); len(out.Captures) != 1 || out.Announced == 0 {
			t.Errorf("after 8 days: %+v", out)
		}
		time.Sleep(4 * day)
		if out := f.reclaim(store.ReclaimOptions{}); len(out.Captures) != 1 || out.Slabs == 0 {
			t.Errorf("after 12 days: %+v", out)
		}
	})
}

// TestSlabsOfWritersAreNotAnnounced: what a writer at work may have put is nobody's yet.
func TestSlabsOfWritersAreNotAnnounced(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.capture(own)
		watched, r := f.beside()
		at(watched, storagetest.Put, "captures/", "", func() {
			if out := f.reclaim(store.ReclaimOptions{}); out.Announced > 0 {
				t.Errorf("%+v", out)
			}
		})
		if _, err := captureWith(t.Context(), r, shared); err != nil {
			t.Fatal(err)
		}
	})
}

// TestRepairsAlone: nobody repairs while somebody reclaims or repairs, or the other way round.
func TestRepairsAlone(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.retire(f.capture(shared))
		repair := func() error { _, err := f.Repair(t.Context(), store.RepairOptions{}); return err }
		reclaim := func() error {
			_, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace})
			return err
		}
		busy := func() {
			for what, do := range map[string]func() error{"repair": repair, "reclaim": reclaim} {
				if err := do(); !errors.Is(err, store.ErrBusy) {
					t.Errorf("%s beside another one: %v", what, err)
				}
			}
		}
		watched, r := f.beside()
		at(watched, storagetest.List, "captures", "", busy)
		if _, err := r.Repair(t.Context(), store.RepairOptions{}); err != nil {
			t.Error(err)
		}
		watched, r = f.beside()
		at(watched, storagetest.Put, "condemned/", ".final", busy)
		if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
			t.Error(err)
		}
	})
}

// TestHarmIsMarkedOnce: what is marked as harmed already is not marked again, however often it is repaired.
func TestHarmIsMarkedOnce(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	f.capture(shared)
	g := tamperWith(t, f.mem, f.key)
	g.flip(g.allChunks()[0])
	for range 3 {
		if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
			t.Fatal(err)
		}
		if n := f.count("condemned"); n != 1 {
			t.Errorf("%d marks", n)
		}
	}
}

// TestComesWhileListed: a capture that came on this machine since index files were listed is there. Nobody takes it for vanished,
// or gives it up; who reclaims, and does not know what it needs, begins again.
func TestComesWhileListed(t *testing.T) {
	for what, do := range map[string]func(context.Context, *store.Repository) error{
		"verify": func(ctx context.Context, r *store.Repository) error {
			report, err := r.Verify(ctx, store.VerifyOptions{})
			if err == nil && !report.OK {
				err = fmt.Errorf("%+v", report.Damage)
			}
			return err
		},
		"repair": func(ctx context.Context, r *store.Repository) error {
			out, err := r.Repair(ctx, store.RepairOptions{Drop: true})
			if err == nil && len(out.Vanished) > 0 {
				err = fmt.Errorf("%+v", out)
			}
			return err
		},
		"reclaim": func(ctx context.Context, r *store.Repository) error {
			_, err := r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
			if !errors.Is(err, store.ErrBusy) {
				return fmt.Errorf("it goes on without knowing what that needs: %v", err)
			}
			_, err = r.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace})
			return err
		},
	} {
		t.Run(what, func(t *testing.T) {
			bubble(t, func(t *testing.T, f *fixture) {
				f.capture(shared)
				s, r := f.sleeper()
				var c *store.Capture
				var began atomic.Bool
				s.Before(func(m storagetest.Method, name string) {
					if m != storagetest.ReadAt || path.Dir(name) != "captures" || began.Swap(true) {
						return
					}
					var err error
					if c, err = captureWith(t.Context(), r, own); err != nil {
						t.Error(err)
					}
				})
				if err := do(t.Context(), r); err != nil {
					t.Error(err)
				}
				if c == nil {
					t.Fatal("nothing came")
				}
				f.reopen()
				if !bytes.Equal(f.restore(c), own) {
					t.Error("it is another one")
				}
			})
		})
	}
}
