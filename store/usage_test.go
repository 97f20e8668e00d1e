package store_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
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
