package store_test

import (
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

func (f *fixture) usage() *store.Usage {
	f.t.Helper()
	u, err := f.Usage(f.t.Context())
	if err != nil {
		f.t.Fatal(err)
	}
	return u
}

// TestReclaimable: what a retired capture alone kept, and what a draft left, is
// what reclaiming frees.
func TestReclaimable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		shared := random(1, 400_000)
		first := f.capture(tarOf(t, file{name: "a", content: shared}, file{name: "b", content: random(2, 100_000)}))
		time.Sleep(time.Minute) // so that they are listed in this order
		second := f.capture(tarOf(t, file{name: "a", content: shared}, file{name: "b", content: random(3, 200_000)}))
		u := f.usage()
		if u.Reclaimable != 0 {
			t.Errorf("%d bytes are nobody's before anything is retired", u.Reclaimable)
		}
		alone := u.Captures[0].Alone
		f.retire(first)
		u = f.usage()
		if u.Reclaimable != alone || len(u.Captures) != 1 || u.Captures[0].ID != second.ID {
			t.Errorf("a retired capture kept %d bytes alone; %+v", alone, u)
		}
		if u.Captures[0].Alone < 600_000 {
			t.Errorf("what is shared with a retired capture alone counts %d bytes", u.Captures[0].Alone)
		}
		o := store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{stream(random(4, 300_000))}}
		if _, err := f.Draft(t.Context(), o); err != nil {
			t.Fatal(err)
		}
		left := f.usage().Reclaimable - alone
		if left < 300_000 || left > 303_000 {
			t.Errorf("a draft left %d bytes, want a little more than 300,000", left)
		}
		before := f.stored()
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.001})
		if u = f.usage(); u.Reclaimable != 0 {
			t.Errorf("%d bytes are nobody's after reclaiming", u.Reclaimable)
		}
		// The marks, tables, headers and padding beside the chunks make the difference.
		if freed := before - f.stored(); freed < alone+left || freed > alone+left+20_000 {
			t.Errorf("reclaiming freed %d bytes, %d were said", freed, alone+left)
		}
	})
}

// TestUsageInPart: where a slab is missing, and whether or not a table lists it, captures that name it are counted as far as
// their chunks are there, all others in full, and it is said of which that is so.
func TestUsageInPart(t *testing.T) {
	for _, listed := range []bool{true, false} {
		f := newFixture(t)
		f.harmed = true
		whole := f.capture(tarOf(t, file{name: "a", content: random(1, 100_000)}))
		before := f.list(names.Slabs)
		part := f.capture(tarOf(t, file{name: "a", content: random(1, 100_000)}, file{name: "b", content: random(2, 200_000)}))
		want := f.usage()
		for _, slab := range f.list(names.Slabs) {
			if !slices.ContainsFunc(before, func(o storage.Info) bool { return o.Name == slab.Name }) {
				f.remove(slab.Name)
			}
		}
		if !listed {
			for _, table := range f.list(names.Tables) {
				f.remove(table.Name)
			}
		}
		f.reopen()
		u, err := f.Usage(t.Context())
		if !errors.Is(err, store.ErrDamaged) || u == nil || !slices.Equal(u.InPart, []string{part.ID}) {
			t.Fatalf("listed %v: %+v, %v", listed, u, err)
		}
		of := func(u *store.Usage, c *store.Capture) store.CaptureUsage {
			return u.Captures[slices.IndexFunc(u.Captures, func(o store.CaptureUsage) bool { return o.ID == c.ID })]
		}
		if got, want := of(u, whole), of(want, whole); got.Holds != want.Holds {
			t.Errorf("listed %v: %s holds %d bytes, not %d", listed, whole.ID, got.Holds, want.Holds)
		}
		if got, want := of(u, part), of(want, part); got.Holds < 100_000 && got.Alone > 10_000 || got.Holds > want.Holds-200_000 {
			t.Errorf("listed %v: %s holds %d bytes of %d", listed, part.ID, got.Holds, want.Holds)
		}
		for i, c := range u.Captures {
			freed, err := f.FreedBy(t.Context(), []string{c.ID})
			if !errors.Is(err, store.ErrDamaged) || freed == nil || freed.Bytes != u.Captures[i].Alone || !slices.Equal(freed.InPart, u.InPart) || len(freed.Unread) > 0 {
				t.Errorf("listed %v: without %s %+v comes free, and it keeps %d alone: %v", listed, c.ID, freed, u.Captures[i].Alone, err)
			}
		}
	}
}
