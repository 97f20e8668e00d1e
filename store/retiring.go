package store

import (
	"cmp"
	"context"
	"time"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Retirement says when and why a capture was retired.
type Retirement struct {
	At     time.Time `json:"at"` // by the medium's clock, or by that of who retired it where this is later
	Host   string    `json:"host,omitempty"`
	Reason string    `json:"reason,omitempty"`
}

// MarkOptions say who marks captures, and why, in UTF-8 text; anything else is
// [ErrBadOptions].
type MarkOptions struct {
	Host   string // where it is done, for people
	Reason string // for people
}

// Hold keeps captures from ever being retired. Holding what is held does
// nothing. It fails with [ErrNotFound], or with [ErrRetired]; then none of them is
// newly held.
func (r *Repository) Hold(ctx context.Context, ids []string, o MarkOptions) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := cmp.Or(r.open(ctx), o.check()); err != nil {
		return err
	}
	return r.keeper.Hold(ctx, ids, ledger.NewMarkRecord(o.Host, o.Reason))
}

// Release ends the holds of captures, each for good: a mark says so, which stays as long
// as the capture. It fails with [ErrNotFound].
func (r *Repository) Release(ctx context.Context, ids []string) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return err
	}
	return r.keeper.Release(ctx, ids)
}

// Retire marks captures as no longer wanted. They are not listed from then on,
// and [Repository.Reclaim] removes them once the grace time has passed; until then [Repository.Reinstate]
// takes it back. Retiring what is retired does nothing. It fails with
// [ErrNotFound], or with [ErrHeld]; then none of them is newly retired.
func (r *Repository) Retire(ctx context.Context, ids []string, o MarkOptions) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := cmp.Or(r.open(ctx), o.check()); err != nil {
		return err
	}
	return r.keeper.Retire(ctx, ids, ledger.NewMarkRecord(o.Host, o.Reason))
}

// Reinstate takes back that captures were retired, for good: a mark says so, which stays
// as long as the capture. It fails with [ErrNotFound], or with [ErrTooLate] where one is being
// removed; then none is taken back.
func (r *Repository) Reinstate(ctx context.Context, ids []string, o MarkOptions) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := cmp.Or(r.open(ctx), o.check()); err != nil {
		return err
	}
	return r.keeper.Reinstate(ctx, ids, ledger.NewMarkRecord(o.Host, o.Reason))
}
