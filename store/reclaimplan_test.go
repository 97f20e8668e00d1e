package store_test

import (
	"bytes"
	"context"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
)

// TestPlanBesideWriter: while a writer is at work a plan frees no more than the run does.
func TestPlanBesideWriter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		defer f.Close()
		old := f.capture(random(1, 300_000))
		f.capture(random(2, 300_000))
		f.retire(old)
		f.reclaim(store.ReclaimOptions{})
		time.Sleep(7*24*time.Hour + time.Minute)
		if plan := f.reclaim(store.ReclaimOptions{DryRun: true}); len(plan.Captures) != 1 {
			t.Fatalf("nothing would go without a writer: %+v", plan)
		}
		var plan, run *store.Reclaimed
		in := store.VolumeInput{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
			plan = f.reclaim(store.ReclaimOptions{DryRun: true})
			run = f.reclaim(store.ReclaimOptions{})
			return io.NopCloser(bytes.NewReader([]byte("bean"))), nil
		}}
		if _, err := f.Capture(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{in}}); err != nil {
			t.Fatal(err)
		}
		if plan.Freed != run.Freed || plan.Slabs != run.Slabs || len(plan.Captures) != len(run.Captures) || len(plan.Waiting) != 1 {
			t.Errorf("planned %+v\n did %+v", plan, run)
		}
	})
}

// TestNextIsToCome: what was announced long ago, and is kept by a capture that was retired anew, has
// no time that is past.
func TestNextIsToCome(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := newFixture(t)
		defer f.Close()
		old := f.capture(random(1, 300_000))
		f.capture(random(2, 300_000))
		f.retire(old)
		f.reclaim(store.ReclaimOptions{})
		time.Sleep(5 * 24 * time.Hour)
		if err := f.Reinstate(t.Context(), []string{old.ID}, store.MarkOptions{}); err != nil {
			t.Fatal(err)
		}
		f.retire(old)
		time.Sleep(4 * 24 * time.Hour)
		for _, dry := range []bool{true, false} {
			out := f.reclaim(store.ReclaimOptions{DryRun: dry})
			if out.Slabs != 0 || out.Retired != 1 || !out.Next.After(time.Now()) {
				t.Errorf("dry run %t: %+v at %v", dry, out, time.Now())
			}
		}
	})
}
