package check

import (
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// Verifier verifies a repository that is open. Its methods may be called at the same time.
type Verifier struct {
	vault   *vault.Vault
	storage storage.Storage // the vault's
	slabs   *fetch.Slabs    // likewise
	ledger  *ledger.Ledger
	stock   *stock.Stock
	reader  *weave.Reader
}

// New gives what verifies a repository.
func New(s *stock.Stock) *Verifier {
	v := s.Vault()
	return &Verifier{vault: v, storage: v.Storage(), slabs: v.Slabs(), ledger: s.Ledger(), stock: s, reader: weave.NewReader(v)}
}
