package store

import (
	"context"

	"github.com/kistarchive/kist/store/internal/vault"
)

// open fails with ErrClosed after Close, and with the cause of a context that is done.
func (r *Repository) open(ctx context.Context) error {
	if err := r.vault.Open(); err != nil {
		return err
	}
	return ended(ctx)
}

// ended gives the cause of a context that is done, with what Err gives in the chain.
func ended(ctx context.Context) (err error) {
	if ctx.Err() != nil {
		err = context.Cause(ctx)
		vault.NoteEnd(ctx, &err)
	}
	return err
}

// afresh gives the repository without anything that was read before, and without
// copies on this machine.
func (r *Repository) afresh() (*Repository, error) {
	s, err := r.stock.Afresh()
	if err != nil {
		return nil, err
	}
	return over(s), nil
}
