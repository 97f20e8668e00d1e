package store_test

import (
	"bytes"
	"context"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// unreadFinal is the name of a final mark that nobody can read: what it names isn't known.
const unreadFinal = "condemned/20260314t0203z-k7f3.final"

// putUnread puts it, as a reclaimer whose mark was harmed on its way.
func (f *fixture) putUnread() {
	f.t.Helper()
	if err := f.mem.Put(f.t.Context(), unreadFinal, strings.NewReader("bean")); err != nil {
		f.t.Error(err)
	}
}

// TestUnreadFinalUnderACapture: a final mark that can't be read, and came while the capture was made, may
// name any slab that it relies on. Whether it is seen before the index file is put or behind it, no
// capture is left, and one that others may have seen is said to be gone before its index file goes.
func TestUnreadFinalUnderACapture(t *testing.T) {
	for _, seen := range []string{"before", "behind"} {
		bubble(t, func(t *testing.T, f *fixture) {
			f.harmed = true
			f.capture(shared)
			watched, r := f.beside()
			folder := map[string]string{"before": "tables/", "behind": "captures/"}[seen]
			var l timeline
			var once sync.Once
			watched.Before(func(m storagetest.Method, name string) {
				l.note(m, name)
				if (call{method: m, name: name}).is(storagetest.Put, folder, "") {
					once.Do(f.putUnread)
				}
			})
			if c, err := captureWith(t.Context(), r, shared, own); !errors.Is(err, store.ErrOvertaken) {
				t.Errorf("seen %s the index file: %v, %v", seen, c, err)
			}
			if n := f.count("captures"); n != 1 {
				t.Errorf("seen %s the index file: %d index files", seen, n)
			}
			if seen == "before" {
				if slices.ContainsFunc(l.calls, func(c call) bool { return c.is(storagetest.Put, "captures/", "") }) {
					t.Error("an index file was put all the same")
				}
				return
			}
			index := l.index(t, 0, storagetest.Put, "captures/", "")
			steps := []int{
				index, l.index(t, index, storagetest.List, "condemned", ""),
				l.index(t, index, storagetest.Put, "condemned/", ".gone"), l.index(t, index, storagetest.Remove, "captures/", ""),
				l.index(t, index, storagetest.Remove, "leases/", ".0"),
			}
			if !slices.IsSorted(steps) {
				t.Errorf("the steps of withdrawing stand at %v", steps)
			}
		})
	}
}

// TestLooksAfterTheIndexFile: behind the index file a writer looks at final marks first, and at its lease
// second: whoever took it for dead removes the lease before the mark.
func TestLooksAfterTheIndexFile(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		watched, r := f.beside()
		var l timeline
		watched.Before(l.note)
		if _, err := captureWith(t.Context(), r, shared); err != nil {
			t.Fatal(err)
		}
		table, index := l.index(t, 0, storagetest.Put, "tables/", ""), l.index(t, 0, storagetest.Put, "captures/", "")
		steps := []int{
			table, l.index(t, table, storagetest.List, "condemned", ""), index,
			l.index(t, index, storagetest.List, "condemned", ""), l.index(t, index, storagetest.Stat, "leases/", ".0"),
			l.index(t, index, storagetest.Remove, "leases/", ".0"),
		}
		if !slices.IsSorted(steps) {
			t.Errorf("the steps stand at %v", steps)
		}
	})
}

// TestUnreadFinalUnderAMark: whoever holds a capture or takes its retirement back doesn't say that it is
// safe where a final mark came meanwhile that can't be read; and begins nothing where one is there.
func TestUnreadFinalUnderAMark(t *testing.T) {
	for name, c := range map[string]struct {
		folder string
		before error
		mark   func(*store.Repository, string) error
	}{
		"hold": {"holds/", store.ErrRetired, func(r *store.Repository, id string) error {
			return r.Hold(context.Background(), []string{id}, store.MarkOptions{})
		}},
		"reinstate": {"retired/", store.ErrTooLate, func(r *store.Repository, id string) error {
			return r.Reinstate(context.Background(), []string{id}, store.MarkOptions{})
		}},
	} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T, f *fixture) {
				f.harmed = true
				taken := f.capture(shared)
				if name == "reinstate" {
					f.retire(taken)
				}
				watched, r := f.beside()
				at(watched, storagetest.Put, c.folder, "", f.putUnread)
				if err := c.mark(r, taken.ID); !errors.Is(err, store.ErrOvertaken) {
					t.Errorf("marked while it may go: %v", err)
				}
				marks := f.count("holds") + f.count("retired")
				other := f.capture(own)
				if name == "reinstate" {
					f.retire(other)
					marks++
				}
				if err := c.mark(f.Repository, other.ID); !errors.Is(err, c.before) {
					t.Errorf("marked what may go already: %v", err)
				}
				if n := f.count("holds") + f.count("retired"); n != marks {
					t.Errorf("%d marks were put", n-marks)
				}
			})
		})
	}
}

// TestUnreadFinalUnderMoving: an index file that was put in the place of another one, as a final mark
// came that can't be read, is not said to be safe.
func TestUnreadFinalUnderMoving(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		f.harmed = true
		both := f.capture(tarOf(t, file{name: "a", content: shared}, file{name: "b", content: own}))
		kept := tarOf(t, file{name: "b", content: own})
		id := f.capture(kept).ID
		f.retire(both)
		watched, r := f.beside()
		at(watched, storagetest.Put, "captures/", "", f.putUnread)
		if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01}); !errors.Is(err, store.ErrOvertaken) {
			t.Errorf("moved while it may go: %v", err)
		}
		if got := f.restore(mustFind(f, id)); !bytes.Equal(got, kept) {
			t.Error("it restores to something else")
		}
	})
}

// encoderOutside makes the encoder of forges outside of bubbles: what is made in one can't be used elsewhere.
func encoderOutside() { forgeEncoder().EncodeAll([]byte("bean"), nil) }

// TestCorrectorThatSlept: whoever was taken for dead while it repaired writes no table, and removes none.
func TestCorrectorThatSlept(t *testing.T) {
	encoderOutside()
	bubble(t, func(t *testing.T, f *fixture) {
		f.harmed = true
		f.capture(tarOf(t, lots(0)...))
		g := tamperWith(t, f.mem, f.key)
		g.flip(g.allChunks()[0])
		before := under(t, f.mem, "tables")
		s, r := f.sleeper()
		at(s.Faulty, storagetest.Put, "condemned/", ".harmed", func() { s.sleepWhile(nil) })
		if _, err := r.Repair(t.Context(), store.RepairOptions{}); !errors.Is(err, store.ErrOvertaken) {
			t.Errorf("repaired after it was taken for dead: %v", err)
		}
		if after := under(t, f.mem, "tables"); !maps.EqualFunc(before, after, bytes.Equal) {
			t.Errorf("%d tables were there, and now %d others or more", len(before), len(after))
		}
		if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || len(out.Tables.Replaced) == 0 {
			t.Errorf("the next one corrects nothing, so that this tests nothing: %+v, %v", out, err)
		}
	})
}

// TestDropperThatSlept: whoever was taken for dead while it dropped members puts no index file.
func TestDropperThatSlept(t *testing.T) {
	encoderOutside()
	bubble(t, func(t *testing.T, f *fixture) {
		f.harmed = true
		f.capture(tarOf(t, file{name: "a", content: shared}, file{name: "b", content: own}))
		g := tamperWith(t, f.mem, f.key)
		for _, c := range g.allChunks() {
			if bytes.Contains(own, c.content) {
				g.flip(c)
				break
			}
		}
		before := under(t, f.mem, "captures")
		s, r := f.sleeper()
		at(s.Faulty, storagetest.Put, "slabs/", "", func() { s.sleepWhile(nil) })
		if out, err := r.Repair(t.Context(), store.RepairOptions{Drop: true}); !errors.Is(err, store.ErrOvertaken) || len(out.Lost) == 0 {
			t.Errorf("dropped after it was taken for dead: %+v, %v", out, err)
		}
		if after := under(t, f.mem, "captures"); !maps.EqualFunc(before, after, bytes.Equal) {
			t.Errorf("there were %d index files, and now others or more: %d", len(before), len(after))
		}
	})
}
