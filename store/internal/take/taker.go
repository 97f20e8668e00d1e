package take

import (
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Taker captures into a repository that is open. Its methods may be called at the same
// time.
type Taker struct {
	vault   *vault.Vault
	storage storage.Storage // the vault's
	slabs   *fetch.Slabs    // likewise
	ledger  *ledger.Ledger
	leases  *lease.Leases
	stock   *stock.Stock
}

// New gives what captures into a repository.
func New(s *stock.Stock) *Taker {
	v := s.Vault()
	return &Taker{
		vault: v, storage: v.Storage(), slabs: v.Slabs(), ledger: s.Ledger(), leases: s.Leases(), stock: s,
	}
}
