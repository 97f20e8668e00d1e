package store

import (
	"cmp"
	"context"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Deltas says which contents are stored as what differs from others that are alike: pages of a database that a few rows
// changed in, or files that have long passages in common. What is alike may lie in any member.
type Deltas string

// The ways of it. A release of before there were any reads no capture that has some, and refuses to reclaim where one is.
const (
	DeltasOff Deltas = ""               // nothing is: a capture is read in the fewest steps
	DeltasOwn Deltas = format.DeltasOwn // by what the same capture holds: nothing is read back while capturing
	DeltasOn  Deltas = format.DeltasOn  // also by what the capture before had in the same place
)

// Deltas gives which contents are stored as what differs here.
func (r *Repository) Deltas(ctx context.Context) (d Deltas, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return "", err
	}
	deltas, err := r.vault.Deltas(ctx)
	return Deltas(deltas), err
}

// SetDeltas has what is captured in this place of the repository from now on be stored so. What is there already stays as
// it is until it is moved, and is read in any case. A Repository that is open elsewhere goes on as it began.
// It fails with [ErrBadOptions], also where captures are kept apart: lengths would tell which contents are alike.
func (r *Repository) SetDeltas(ctx context.Context, d Deltas, o MarkOptions) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := cmp.Or(r.open(ctx), o.check()); err != nil {
		return err
	}
	return r.vault.SetDeltas(ctx, string(d), o.Host)
}
