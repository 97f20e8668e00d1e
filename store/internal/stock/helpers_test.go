package stock

import (
	"testing"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// newStock makes a repository.
func newStock(t *testing.T, st storage.Storage, key *crypt.KeyFile) *Stock {
	t.Helper()
	v, err := vault.Create(t.Context(), st, key, vault.Settings{Average: chunk.DefaultAverage}, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(v.Close)
	return New(v, ledger.NewWatch())
}

// openStock opens a repository, with copies in a folder, or without.
func openStock(t *testing.T, st storage.Storage, key *crypt.KeyFile, cache string) *Stock {
	t.Helper()
	found, err := vault.Find(t.Context(), st)
	if err != nil {
		t.Fatal(err)
	}
	v, err := found.Unlock(t.Context(), key, crypt.UnlockOptions{}, func(string, *crypt.RootKey, crypt.SlotID) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(v.Close)
	if cache != "" {
		v.Keep(cache, 0, false)
	}
	return New(v, ledger.NewWatch())
}
