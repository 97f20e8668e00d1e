package store_test

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
)

// TestFreedByRotation: what a rotation would free is by arithmetic what Reclaim then frees, by its own rule of how
// much may stay dead.
//
// 12 captures of 100 blocks, of which 10 percent are replaced each time, a day between them. Of three
// days the newest capture stays, so the oldest 9 go, which alone keep 9 * 10 blocks (renewal says why). At most
// 3 percent of what is stored stays dead (ReclaimOptions.MinDead), and padding, at most 12 percent (PADMÉ, see
// FORMAT.md), and tables go and come with slabs.
func TestFreedByRotation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		defer f.Close()
		r := renewal{captures: 12, blocks: 100, replaced: 10, apart: 24 * time.Hour}
		r.capture(f)
		captures, err := f.Captures(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		plan, err := f.PlanRotation(captures, store.RotationOptions{Rules: rotation.Rules{Days: 3, Versions: 1}})
		if err != nil {
			t.Fatal(err)
		}
		going := plan.Retires()
		if len(going) != 9 {
			t.Fatalf("%d go, not 9", len(going))
		}
		freed, err := f.FreedBy(t.Context(), going)
		if err != nil {
			t.Fatal(err)
		}
		said := freed.Bytes
		near(t, "what comes free", said, 9*10*renewalBlock, 9*renewalRest)
		if err := f.Retire(t.Context(), going, store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		before := f.stored()
		f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
		after := f.stored()
		near(t, "what reclaiming freed", before-after, said-after*3/100-said/20, after*3/100+said*17/100)
	})
}
