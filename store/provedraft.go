package store

import (
	"context"
	"fmt"
	"io"

	"github.com/kistarchive/kist/store/internal/give"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// ProveDraft reads all that a draft holds, what was taken over from earlier captures among it, and holds it against
// what was taken in: for whoever relies on the capture after it the moment it is made. It reads what the storage has, and no
// copies on this machine, and writes nothing. progress, if set, is called as that of [RestoreOptions], for each volume anew.
//
// It fails with [ErrDamaged], naming the object and members, and with [ErrForeign].
func (r *Repository) ProveDraft(ctx context.Context, d *Draft, progress func(Progress)) (err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	if err := r.open(ctx); err != nil {
		return err
	}
	if d == nil {
		return fmt.Errorf("no draft: %w", ErrForeign)
	}
	if err := r.ownsDraft(d); err != nil {
		return err
	}
	fresh, err := r.stock.Afresh()
	if err != nil {
		return err
	}
	defer fresh.Vault().Slabs().Close()
	giver := give.New(fresh)
	for i := range d.file.Volumes {
		v := &d.file.Volumes[i]
		if err := giver.Restore(ctx, &ledger.Volume{Volume: v}, io.Discard, g.meter("progress", progress)); err != nil {
			return fmt.Errorf("volume %s: %w", v.Name, err)
		}
	}
	return nil
}
