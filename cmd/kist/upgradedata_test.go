//go:build unix

package main

import (
	"errors"
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
