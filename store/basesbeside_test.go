package store_test

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// The tests of this file have somebody reclaim between the steps of others, where slabs stand on slabs that no recipe names.

// TestBaseOfALapsedLease: a writer whose slab stands on one that went, while it was taken for dead, does not commit.
func TestBaseOfALapsedLease(t *testing.T) {
	for folder, method := range map[string]storagetest.Method{names.Slabs: storagetest.Put, names.Captures: storagetest.Put} {
		t.Run(folder, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := newFixtureOf(t, withDeltas(store.DeltasOn))
				defer f.Close()
				content := random(1, 300_000)
				edit := edited(content, 1500, 1)
				edit[len(edit)-1] ^= 1 // so that no chunk is the same
				f.retire(f.capture(content))
				s, r := f.sleeper()
				var before int
				at(s.Faulty, method, folder+"/", "", func() {
					s.sleepWhile(func() {
						before = len(f.frames())
						f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
					})
				})
				c, err := captureWith(t.Context(), r, edit)
				if !errors.Is(err, store.ErrOvertaken) {
					t.Errorf("committed what stands on a slab that went: %v, %v", c, err)
				}
				t.Log(before, len(f.frames()))
			})
		})
	}
	_ = time.Now
}
