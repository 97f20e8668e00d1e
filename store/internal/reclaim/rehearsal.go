package reclaim

import (
	"context"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// NoteRehearsal says how a rehearsal of a capture went, in the place of what was said of
// earlier ones. Nothing goes by it, so it takes no lease.
func (r *Keeper) NoteRehearsal(ctx context.Context, id string, said *format.RehearsalRecord) error {
	before, err := r.ledger.ListRehearsals(ctx)
	if err != nil {
		return err
	}
	if err := r.checkThere(ctx, []string{id}); err != nil {
		return err
	}
	if err := vault.PutMark(ctx, r.vault, format.Rehearsal, names.NewRehearsal(id), said); err != nil {
		return err
	}
	for _, name := range before.Names[id] {
		r.storage.Remove(ctx, name) // what stays is earlier, and the next one removes it
	}
	return nil
}
