package lease

import (
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Leases are those of a repository that is open. Its methods may be called at the same
// time.
type Leases struct {
	vault   *vault.Vault
	storage storage.Storage // the vault's
	ledger  *ledger.Ledger
}

// New gives the leases of a repository.
func New(v *vault.Vault, l *ledger.Ledger) *Leases {
	return &Leases{vault: v, storage: v.Storage(), ledger: l}
}
