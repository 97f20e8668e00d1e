package store

import (
	"context"
	"errors"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// marked gives the captures that are neither there nor known to be removed, though a mark
// that can be read is about them: a hold, a retirement, or the end of one. Each comes
// with the name of such a mark. So the newest capture, which no other one saw, is missed
// as well, if anybody held it.
func (r *Repository) marked(ctx context.Context, s *standing, files []storage.Info, gone departures) (map[string]string, error) {
	there := make(map[string]bool)
	for _, id := range captureIDs(files) {
		there[id] = true
	}
	missing := make(map[string]string)
	for id, marks := range s.all {
		if there[id] || gone.names(id) {
			continue
		}
		// It may have come since the files were listed, or a listing may be late.
		if info, err := r.storage.Stat(ctx, names.Capture(id, 0)); err == nil && !isTorn(info) {
			continue
		} else if err != nil && !errors.Is(err, storage.ErrNotFound) {
			return nil, err
		}
		for _, name := range marks {
			read, err := r.canRead(ctx, name)
			if err != nil {
				return nil, err
			}
			if read {
				missing[id] = name
				break
			}
		}
	}
	return missing, nil
}

// canRead tells whether a mark is there and is what was written.
func (r *Repository) canRead(ctx context.Context, name string) (bool, error) {
	info, err := r.storage.Stat(ctx, name)
	if err == nil {
		kind := format.Retired
		if vault.FolderOf(name) == names.Holds {
			kind = format.Hold
		}
		_, err = vault.ReadMark[format.MarkRecord](ctx, r.vault, kind, info)
	}
	if vault.IsDamage(err) || errors.Is(err, storage.ErrNotFound) {
		return false, nil
	}
	return err == nil, err
}
