package weigh

import (
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// Scales weigh the captures of a repository that is open. Their methods may be called at
// the same time.
type Scales struct {
	storage storage.Storage
	slabs   *fetch.Slabs
	stock   *stock.Stock
	reader  *weave.Reader
}

// New gives the scales of a repository.
func New(s *stock.Stock) *Scales {
	v := s.Vault()
	return &Scales{storage: v.Storage(), slabs: v.Slabs(), stock: s, reader: weave.NewReader(v)}
}
