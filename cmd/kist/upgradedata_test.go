//go:build unix

package main

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/store"
)

// TestOwnHoldAlone: an upgrade that lets its capture go leaves the holds of others, and takes no other capture for its own.
func TestOwnHoldAlone(t *testing.T) {
	b := newBench(t)
	b.must("capture", "--name", "seedbank", b.path("seedbank"))
	b.must("hold", "seedbank@latest", "--note", "before the move")
	d := b.opened()
	c, err := d.app.find(t.Context(), d.r, "latest")
	if err != nil {
		t.Fatal(err)
	}
	r := &upgrade.Record{Container: "seedbank", Capture: c.ID}
	if err := errors.Join(d.Hold(t.Context(), r), d.Release(t.Context(), r)); err != nil {
		t.Fatal(err)
	}
	if c, err = d.app.find(t.Context(), d.r, "latest"); err != nil || !c.Held {
		t.Errorf("the other hold is gone: %+v, %v", c, err)
	}
	if err := d.Find(t.Context(), c.ID); err != nil {
		t.Error(err)
	}
	for _, other := range []string{c.ID[:len(c.ID)-1], "latest"} {
		if err := d.Find(t.Context(), other); statusOf(err) != statusMissing || errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s: %v", other, err)
		}
	}
}

// TestStandsAtTheStop: what is noted to stand at a place is what stands there once the service was stopped.
func TestStandsAtTheStop(t *testing.T) {
	b := newBench(t)
	place := b.path("seedbank")
	b.must("capture", "--name", "seedbank", place)
	d := b.opened()
	c, err := d.app.find(t.Context(), d.r, "latest")
	if err != nil {
		t.Fatal(err)
	}
	var stands, noted uint64
	err = d.Restore(t.Context(), &upgrade.Record{Capture: c.ID, Up: "true", Places: []string{place}}, upgrade.Deeds{
		Stop: func(context.Context) error { // which exchanges its own folder at its end
			var is syscall.Stat_t
			err := errors.Join(os.Rename(place, b.path("away")), os.Mkdir(place, 0o700), syscall.Stat(place, &is))
			stands = is.Ino
			return err
		},
		Note: func(all map[string]upgrade.Exchange) { noted = all[place].Stood.Inode },
		Kept: func(string, string) {},
	})
	if stands == 0 || noted != stands {
		t.Errorf("%d is noted, and %d stands there: %v", noted, stands, err)
	}
}

// TestTouchedByTheFirst: a failure behind the first of several exchanges does not say that nothing was touched.
func TestTouchedByTheFirst(t *testing.T) {
	b := newBench(t)
	places := []string{b.path("seedbank"), b.path("above", "second")}
	if err := errors.Join(os.Mkdir(b.path("above"), 0o700), os.CopyFS(places[1], os.DirFS(places[0]))); err != nil {
		t.Fatal(err)
	}
	b.must("capture", "--name", "seedbank", places[0], places[1])
	d := b.opened()
	c, err := d.app.find(t.Context(), d.r, "latest")
	if err != nil {
		t.Fatal(err)
	}
	kept := 0
	err = d.Restore(t.Context(), &upgrade.Record{Capture: c.ID, Up: "true", Places: places}, upgrade.Deeds{
		Stop: func(context.Context) error { return nil }, Note: func(map[string]upgrade.Exchange) {},
		Kept: func(place, _ string) {
			kept++
			other := places[0]
			if place == other {
				other = places[1]
			}
			all, _ := filepath.Glob(filepath.Dir(other) + "/" + filepath.Base(other) + ".new-*") // what is built goes away
			for _, part := range all {
				if err := os.RemoveAll(part); err != nil {
					t.Error(err)
				}
			}
		},
	})
	if kept != 1 || err == nil || errors.Is(err, upgrade.ErrUntouched) {
		t.Errorf("%d exchanged: %v", kept, err)
	}
}
