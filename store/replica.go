package store

import (
	"cmp"
	"context"
	"fmt"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// ReplicaOptions say how another place of a repository is made.
type ReplicaOptions struct {
	// Slot describes the first key slot of the place.
	Slot crypt.SlotOptions
	// Parity is how much parity slabs get that are written there, in percent: see [Repository.SetParity]; 0: none.
	// What is copied comes as it is.
	Parity int
	// Deltas is as in CreateOptions, for what is captured there.
	Deltas Deltas
	// Host is where it is done, for people.
	Host string
	// Reserve is as in CreateOptions.
	Reserve int64
}

// CreateReplica makes another place of a repository in an empty storage, and opens it: a repository with
// the same identity, settings and root key, and with key slots, captures, marks and retention of its own. It
// has no captures yet: [Repository.Replicate] copies them, either way. What a machine knows of
// the two it keeps apart.
//
// Whoever loses secret, and every other one that [Repository.AddSlot] adds there, can't open that place; a
// secret of another place opens only that one. A secret that was found out opens the data in every place.
//
// It fails with [ErrExists] where there is a repository, with [ErrBadOptions], and with [ErrClosed] where of was closed; and what it put
// before it takes back, as Create does.
func CreateReplica(ctx context.Context, st storage.Storage, of *Repository, secret crypt.Secret, o ReplicaOptions) (r *Repository, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := ended(ctx); err != nil {
		return nil, err
	}
	v, err := vault.CreateReplica(ctx, st, of.vault, secret, o.Slot, vault.Settings{Parity: o.Parity, Deltas: string(o.Deltas), Host: o.Host, Reserve: o.Reserve})
	if err != nil {
		return nil, err
	}
	return newRepository(v, ledger.NewWatch(), newGuard()), nil
}

// BringManifest puts kist.json, which all places of a repository have to the byte, into another place where it is gone or
// damaged: nothing opens that place without it, so Repair can't. It tells whether that was so. A key slot there must
// prove that it is a place of this repository; nothing else is read or written there. It fails with [ErrNotReplica].
func (r *Repository) BringManifest(ctx context.Context, other storage.Storage) (put bool, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return false, err
	}
	return r.vault.BringManifest(ctx, other)
}

// Place gives the identity of this place of the repository, which is not secret: "" of the first one.
func (r *Repository) Place() string { return r.vault.Place() }

// GivePlace makes another place of a repository again of what lost the mark that says so, and is taken for the first: it
// gets the identity place, which it had if that is known, or with "" one never used, and gives it. It holds once the
// repository is opened again. of is another place of the repository, in another storage.
//
// Give back the identity that it had where that is known: what a machine noted of it, and captures that wait to be sent to
// it, go by that. It fails with [ErrNotReplica], with [ErrSamePlace] where the two are one storage, and with
// [ErrBadOptions] where it has an identity.
func (r *Repository) GivePlace(ctx context.Context, of *Repository, place string, o MarkOptions) (given string, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := cmp.Or(r.open(ctx), o.check()); err != nil {
		return "", err
	}
	if of == nil {
		return "", fmt.Errorf("no repository that it is a place of: %w", ErrForeign)
	}
	if err := of.vault.Open(); err != nil {
		return "", err
	}
	return r.vault.GivePlace(ctx, of.vault, place, o.Host)
}
