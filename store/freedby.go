package store

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/store/internal/vault"
)

// FreedBy tells how many bytes would come free if all captures of these ids were removed
// together: their index files, and the chunks that no other capture keeps. It counts as
// CaptureUsage.Alone and Cost.Alone do: of one capture it is that, and of several it is at least their
// sum, as what only they share comes free with the last of them. Retired captures keep
// nothing from coming free; what they alone keep counts where their own ids are given. It
// is what Usage.Reclaimable would grow by if captures that are not were retired.
//
// [Repository.Reclaim] frees about as much: tables, padding and what else lies beside chunks come on top,
// and of a slab that is still needed in part, only what is worth moving the rest for
// (ReclaimOptions.MinDead).
//
// It reads what Usage reads, in one pass however many ids there are, and takes as much
// memory. An id counts once; no ids free nothing. It fails with [ErrNotFound] for an id that is not
// that of a capture, in full, and with [ErrDamaged] where an index file can't be read, as
// what that keeps is not known, or where a capture's chunks can't be found.
func (r *Repository) FreedBy(ctx context.Context, ids []string) (bytes int64, err error) {
	defer vault.NoteEnd(ctx, &err)
	captures, err := r.AllCaptures(ctx)
	if err != nil {
		return 0, err
	}
	going, err := findAll(captures, ids)
	if err != nil {
		return 0, err
	}
	return r.scales.FreedBy(ctx, inner(captures), going)
}

// findAll gives the set of ids, all of which must be those of captures.
func findAll(captures []*Capture, ids []string) (map[string]bool, error) {
	there := make(map[string]bool, len(captures))
	for _, c := range captures {
		there[c.ID] = true
	}
	found := make(map[string]bool, len(ids))
	for _, id := range ids {
		if !there[id] {
			return nil, fmt.Errorf("capture %q: %w", id, ErrNotFound)
		}
		found[id] = true
	}
	return found, nil
}
