package weave

import (
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Reader reads the streams of a repository that is open. Its methods may be called at the
// same time.
type Reader struct {
	slabs *fetch.Slabs // the vault's
}

// NewReader gives what reads the streams of a repository.
func NewReader(v *vault.Vault) *Reader { return &Reader{slabs: v.Slabs()} }
