package vault

import (
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/cache"
)

// Vault is the objects of a repository that is open. Its methods may be called at the
// same time.
type Vault struct {
	storage storage.Storage
	id      crypt.RepositoryID
	keys    *crypt.Keys
	slabs   *fetch.Slabs
	kept    *cache.Folder // copies of small objects; nil: none
}

// New gives the vault of the repository in a storage. Close frees it.
func New(st storage.Storage, id crypt.RepositoryID, keys *crypt.Keys) (*Vault, error) {
	slabs, err := fetch.New(st, id, keys)
	if err != nil {
		return nil, err
	}
	return &Vault{storage: st, id: id, keys: keys, slabs: slabs}, nil
}

// Afresh gives the vault without anything that was read before, and without copies on
// this machine. Its slabs are closed apart from those of v; everything else is v's.
func (v *Vault) Afresh() (*Vault, error) {
	slabs, err := fetch.New(v.storage, v.id, v.keys)
	fresh := *v
	fresh.slabs, fresh.kept = slabs, nil
	return &fresh, err
}

// Close frees what reading took, and wipes the keys. It does not close the storage.
func (v *Vault) Close() {
	v.slabs.Close()
	v.kept.Close() // nothing that matters is written there
	v.keys.Wipe()
}

// ID gives the repository's identity, which is not secret.
func (v *Vault) ID() crypt.RepositoryID { return v.id }

// Storage gives where the objects are.
func (v *Vault) Storage() storage.Storage { return v.storage }

// Keys gives the keys of the repository. They are wiped by Close.
func (v *Vault) Keys() *crypt.Keys { return v.keys }

// Slabs gives what reads slabs.
func (v *Vault) Slabs() *fetch.Slabs { return v.slabs }
