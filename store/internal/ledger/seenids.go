package ledger

import (
	"context"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// SeenIDs gives the ids of the captures that have index files, sorted, for the list of
// those seen. Where copies of them are kept on this machine, a file of which there is none
// is opened: one that no key of this repository made is no capture, whatever its name, and
// nobody must miss it later. Without copies that would take a call for each capture, and
// the names alone decide.
func (r *Ledger) SeenIDs(ctx context.Context, files []storage.Info) ([]string, error) {
	if r.vault.Copies() == nil {
		return CaptureIDs(files), nil
	}
	var ids []string
	return ids, vault.InOrder(ctx, Generations(files), vault.Askers,
		func(ctx context.Context, generations []File) (bool, error) { return r.isCapture(ctx, generations) },
		func(generations []File, is bool, err error) error {
			if id, _, bad := names.ParseCapture(generations[0].Info.Name); bad == nil && is {
				ids = append(ids, id)
			}
			return err
		})
}

// isCapture tells whether one of the generations is an index file of this repository, be
// it harmed since. What can't be reached counts as one.
func (r *Ledger) isCapture(ctx context.Context, generations []File) (bool, error) {
	for _, f := range generations {
		if r.vault.HasCopy(f.Info) {
			return true, nil
		}
	}
	for _, f := range generations {
		_, err := r.ReadIndexFile(ctx, f.Info) // keeps a copy
		if vault.IsDamage(err) {
			err = r.vault.CheckHeader(ctx, format.Capture, f.Info)
		}
		if ctx.Err() != nil {
			return false, context.Cause(ctx)
		}
		if !vault.IsDamage(err) {
			return true, nil
		}
	}
	return false, nil
}
