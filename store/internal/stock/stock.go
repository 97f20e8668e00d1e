package stock

import (
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Stock is what a repository that is open holds. Its methods may be called at the same
// time. Whoever has it has the rooms above, too.
type Stock struct {
	vault   *vault.Vault
	storage storage.Storage // the vault's
	slabs   *fetch.Slabs    // likewise
	ledger  *ledger.Ledger
	leases  *lease.Leases

	// IndexMemory bounds the index of a writer that need not find every chunk, in bytes; 0: known.DefaultMemory.
	IndexMemory int64

	longest int64 // bytes of the longest table that is in memory as a whole
}

// New opens the stock of a repository, which is held against what a watch knows.
func New(v *vault.Vault, w *ledger.Watch) *Stock {
	l := ledger.New(v, w)
	return &Stock{vault: v, storage: v.Storage(), slabs: v.Slabs(), ledger: l, leases: lease.New(v, l), longest: longTable}
}

// Afresh gives the stock without anything that was read before, and without copies on this
// machine. The slabs of its vault are to be closed.
func (r *Stock) Afresh() (*Stock, error) {
	v, err := r.vault.Afresh()
	if err != nil {
		return nil, err
	}
	return New(v, r.ledger.Watch()), nil
}

// Vault gives the repository's vault.
func (r *Stock) Vault() *vault.Vault { return r.vault }

// Ledger gives the repository's ledger.
func (r *Stock) Ledger() *ledger.Ledger { return r.ledger }

// Leases gives the repository's leases.
func (r *Stock) Leases() *lease.Leases { return r.leases }
