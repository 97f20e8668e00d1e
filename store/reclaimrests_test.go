package store_test

import (
	"fmt"
	"math/rand"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/names"
)

// TestReclaimComesToRest reclaims random histories more often than the grace time, as who runs it by hand does: with nobody
// else at work, a few runs leave nothing to move, and no index file changes any more. A grace time later what was retired
// goes, and what that leaves is moved; another one later, or a few, all that nothing needs is freed, and a run without grace
// time finds nothing further.
func TestReclaimComesToRest(t *testing.T) {
	oneByOne(t)
	for seed := range int64(6) {
		deltas := []store.Deltas{store.DeltasOn, store.DeltasOff}[seed%2]
		t.Run(fmt.Sprintf("deltas %q, history %d", deltas, seed), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := rand.New(rand.NewSource(seed))
				f := newFixtureOf(t, store.CreateOptions{Deltas: deltas})
				h := &busyHistory{fixture: f, content: edited(random(3, 200<<10), 4096, 1)}
				o := store.ReclaimOptions{Grace: 7 * 24 * time.Hour, MinDead: []float64{0, 0.01}[r.Intn(2)]}
				if deltas == store.DeltasOff && seed%3 == 0 {
					f.setDeltas(store.DeltasOn)
				}
				for range 40 {
					h.step(r, o)
				}
				h.wantRest(o, false)
				for range 6 {
					time.Sleep(3 * 24 * time.Hour)
					f.reclaim(o)
				}
				// Now and then what something stood on goes another grace time later, and what that left another one.
				for range 6 {
					if out := f.reclaim(o); out.Announced == 0 {
						break
					}
					time.Sleep(3 * 24 * time.Hour)
				}
				h.wantRest(o, true)
				if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: o.MinDead}); out.Slabs > 0 || out.Moved > 0 {
					t.Errorf("without grace time, %d slabs are freed and %d moved", out.Slabs, out.Moved)
				}
				f.wantAll(h.captures, h.streams)
				f.Close()
			})
		})
	}
}

// busyHistory is captures of a file that changes by its pages, some retired, with reclaims among them.
type busyHistory struct {
	*fixture
	content  []byte
	captures []*store.Capture // that are not retired
	streams  [][]byte
}

func (h *busyHistory) step(r *rand.Rand, o store.ReclaimOptions) {
	time.Sleep(time.Duration(1+r.Intn(10)) * time.Hour)
	switch n := r.Intn(10); {
	case n < 7 || len(h.captures) < 3:
		h.content = slices.Clone(h.content)
		for range 8 {
			h.content[r.Intn(len(h.content))] ^= 0x55
		}
		if r.Intn(4) == 0 {
			at := r.Intn(len(h.content))
			h.content = slices.Concat(h.content[:at], random(byte(r.Intn(256)), 20_000), h.content[at:])[:200<<10]
		}
		h.streams = append(h.streams, tarOf(h.t, file{name: "db", content: h.content}))
		h.captures = append(h.captures, h.capture(h.streams[len(h.streams)-1]))
	case n < 8:
		for i := len(h.captures) - 2; i >= 0; i-- {
			if r.Intn(2) == 0 {
				h.retire(h.captures[i])
				h.captures, h.streams = slices.Delete(h.captures, i, i+1), slices.Delete(h.streams, i, i+1)
			}
		}
	default:
		h.reclaim(o)
	}
}

// wantRest reclaims a few times, after which a further run has nothing to do; of a repository of which nothing was retired or
// announced within the grace time, nothing at all.
func (h *busyHistory) wantRest(o store.ReclaimOptions, settled bool) {
	h.t.Helper()
	for range 2 {
		h.reclaim(o)
	}
	before := h.list(names.Captures)
	out := h.reclaim(o)
	if after := h.list(names.Captures); out.Moved > 0 || out.Written > 0 || !slices.Equal(after, before) {
		h.t.Errorf("a third run moves %d slabs and writes %d bytes; index files before %d, after %d", out.Moved, out.Written, len(before), len(after))
	}
	if settled && (out.Announced > 0 || out.Slabs > 0) {
		h.t.Errorf("two grace times later %d slabs are announced, %d freed", out.Announced, out.Slabs)
	}
}
