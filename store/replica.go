package store

import (
	"context"

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
// It fails with [ErrExists] where there is a repository, with [ErrBadOptions], and with [ErrClosed] where of was closed.
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

// Place gives the identity of this place of the repository, which is not secret: "" of the first one.
func (r *Repository) Place() string { return r.vault.Place() }
