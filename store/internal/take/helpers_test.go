package take

import (
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// newTaker makes a repository in memory.
func newTaker(t *testing.T) *Taker {
	t.Helper()
	s := vault.Settings{Average: chunk.DefaultAverage}
	v, err := vault.Create(t.Context(), storage.NewMemory(), crypt.NewKeyFile(), s, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(v.Close)
	return New(stock.New(v, ledger.NewWatch()))
}
