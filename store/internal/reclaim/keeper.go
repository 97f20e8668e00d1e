package reclaim

import (
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// Keeper keeps what is wanted of a repository that is open, and frees the rest. Its methods
// may be called at the same time.
type Keeper struct {
	vault   *vault.Vault
	storage storage.Storage // the vault's
	slabs   *fetch.Slabs    // likewise
	ledger  *ledger.Ledger
	leases  *lease.Leases
	stock   *stock.Stock
	reader  *weave.Reader
}

// New gives the keeper of a repository.
func New(s *stock.Stock) *Keeper {
	v := s.Vault()
	return &Keeper{
		vault: v, storage: v.Storage(), slabs: v.Slabs(), ledger: s.Ledger(), leases: s.Leases(), stock: s, reader: weave.NewReader(v),
	}
}
