package store

import (
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/storage"
)

// Everything that stores contents does as the repository says.
func TestRecheckReaches(t *testing.T) {
	for _, off := range []bool{false, true} {
		r, err := Create(t.Context(), storage.NewMemory(), crypt.NewKeyFile(), CreateOptions{NoRecheck: off})
		if err != nil {
			t.Fatal(err)
		}
		fresh, err := r.afresh()
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range []*Repository{r, fresh} {
			if cfg, err := r.stock.IntakeConfig(t.Context(), nil); err != nil || cfg.NoRecheck != off {
				t.Errorf("off is %v, and the intake is told %v, %v", off, cfg.NoRecheck, err)
			}
		}
		fresh.slabs.Close()
		r.Close()
	}
}
