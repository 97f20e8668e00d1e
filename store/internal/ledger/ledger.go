package ledger

import (
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Ledger is the captures and marks of a repository that is open. Its methods may be called
// at the same time.
type Ledger struct {
	vault   *vault.Vault
	storage storage.Storage // the vault's
	slabs   *fetch.Slabs    // likewise
	watch   *Watch
	seen    *seen
}

// New opens the ledger of a repository, which is held against what a watch knows.
func New(v *vault.Vault, w *Watch) *Ledger {
	return &Ledger{vault: v, storage: v.Storage(), slabs: v.Slabs(), watch: w, seen: &seen{done: make(map[crypt.Digest]bool), by: make(map[string]string)}}
}

// Watch gives what the repository is held against.
func (r *Ledger) Watch() *Watch { return r.watch }

// Learn has this machine remember captures. What can't be kept is told.
func (r *Ledger) Learn(captures ...remember.Capture) {
	r.watch.Keep(r.watch.Memory.Note(captures...))
}
