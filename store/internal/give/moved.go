package give

import (
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// ErrMoved is returned by whatever reads a volume when an object of it is gone because its
// capture was moved to other slabs, or removed, after it was found.
var ErrMoved = errors.New("it was moved or removed by reclaiming meanwhile: find the capture again")

// OrMoved gives err, met while v was read, or ErrMoved where an object is missing
// since reclaiming wrote a higher generation of the capture's index file, or removed
// it. Both happen before a slab is removed.
func (r *Giver) OrMoved(ctx context.Context, v *ledger.Volume, err error) error {
	if v.Of == nil || !errors.Is(err, format.ErrDamaged) || !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	infos, listing := r.storage.List(ctx, names.Captures)
	if listing != nil {
		return err
	}
	highest, there := 0, false
	for _, info := range infos {
		if id, generation, err := names.ParseCapture(info.Name); err == nil && id == v.Of.ID {
			highest, there = max(highest, generation), true
		}
	}
	if there && highest <= v.Of.Generation {
		return err
	}
	return fmt.Errorf("capture %s: %w (%v)", v.Of.ID, ErrMoved, err)
}
