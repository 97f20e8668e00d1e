//go:build unix

package stopped

import (
	"context"
	"testing"
)

// TestNoted: what is kept still is told, with whether a run is at work, and stays as it is.
func TestNoted(t *testing.T) {
	for _, restoring := range []bool{false, true} {
		k, c, f, _ := newKeeper(t)
		if all, err := k.Noted(); err != nil || len(all) != 0 {
			t.Errorf("%+v, %v", all, err)
		}
		halt := k.Halt
		if restoring {
			halt = func(ctx context.Context, c Target) (*Halted, error) { return k.HaltToRestore(ctx, c, nil, nil) }
		}
		h, err := halt(t.Context(), c)
		if err != nil {
			t.Fatal(err)
		}
		for _, atWork := range []bool{true, false} {
			all, err := k.Noted()
			if err != nil || len(all) != 1 || all[0].AtWork != atWork || all[0].Container != c.Name || all[0].Restoring != restoring || all[0].Since.IsZero() {
				t.Errorf("%+v, %v", all, err)
			}
			if f.running {
				t.Error("looking at it started it")
			}
			h.note.release() // as the system does when a run is killed
		}
	}
}
