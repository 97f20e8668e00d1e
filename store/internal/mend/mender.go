package mend

import (
	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// Mender mends a repository that is open. Only one may at a time.
type Mender struct {
	vault    *vault.Vault
	storage  storage.Storage // the vault's
	slabs    *fetch.Slabs    // likewise
	ledger   *ledger.Ledger
	leases   *lease.Leases
	stock    *stock.Stock
	reader   *weave.Reader
	verifier *check.Verifier
}

// New gives what mends a repository.
func New(s *stock.Stock) *Mender {
	v := s.Vault()
	return &Mender{
		vault: v, storage: v.Storage(), slabs: v.Slabs(), ledger: s.Ledger(), leases: s.Leases(), stock: s,
		reader: weave.NewReader(v), verifier: check.New(s),
	}
}
