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

// Hold keeps captures from ever being retired. Holding what is held for the same Reason does
// nothing; for another one it is held twice. It fails with [ErrNotFound], or with [ErrRetired]; then none of them is
// newly held.
func (r *Repository) Hold(ctx context.Context, ids []string, o MarkOptions) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := cmp.Or(r.open(ctx), o.check()); err != nil {
		return err
	}
	return r.keeper.Hold(ctx, ids, ledger.NewMarkRecord(o.Host, o.Reason))
}

// Hold says when, where and why a capture was held.
type Hold struct {
	At     time.Time `json:"at"`               // by the medium's clock, or by that of who held it where this is later
	Host   string    `json:"host,omitempty"`   // as MarkOptions had it
	Reason string    `json:"reason,omitempty"` // likewise; both are empty where the mark can't be read, which holds all the same
}

// Holds gives the holds of captures that were not released, by the captures' ids, each capture's
// by when they were made: more than one where several held it at once. It reads one mark for each.
func (r *Repository) Holds(ctx context.Context) (_ map[string][]Hold, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	found, err := r.ledger.ReadHolds(ctx)
	if err != nil {
		return nil, err
	}
	holds := make(map[string][]Hold, len(found))
	for id, all := range found {
		for _, h := range all {
			holds[id] = append(holds[id], Hold(h))
		}
	}
	return holds, nil
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

// ReleaseFor is [Repository.Release] for the holds alone that were put for a reason, MarkOptions.Reason: so a program ends its own
// ones, and none that a person put on the same capture.
func (r *Repository) ReleaseFor(ctx context.Context, ids []string, reason string) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return err
	}
	return r.keeper.ReleaseFor(ctx, ids, reason)
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
