package give

import (
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// Giver reads what a repository that is open holds. Its methods may be called at the same
// time.
type Giver struct {
	vault   *vault.Vault
	storage storage.Storage // the vault's
	slabs   *fetch.Slabs    // likewise
	stock   *stock.Stock
	reader  *weave.Reader
	proofs  *proofs
}

// New gives what reads a repository.
func New(s *stock.Stock) *Giver {
	v := s.Vault()
	return &Giver{vault: v, storage: v.Storage(), slabs: v.Slabs(), stock: s, reader: weave.NewReader(v), proofs: new(proofs)}
}
