package store

import (
	"context"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Head gives a short text by which the captures that there are can be known again: to be
// noted elsewhere, and given to [Repository.Verify] later. It names the newest capture of each chain:
// each machine that captures makes one, and begins another where it lost its notes. Captures
// that name none before them count as one chain for each host, of which only the newest is
// named. Retired ones count as well.
//
// Where index files are damaged it fails with [ErrDamaged].
func (r *Repository) Head(ctx context.Context) (tokens []string, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	captures, err := r.AllCaptures(ctx)
	if err != nil {
		return nil, err
	}
	return ledger.Heads(inner(captures)), nil
}
