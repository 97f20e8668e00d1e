package store

import (
	"github.com/kistarchive/kist/store/internal/vault"
)

// Apart says whether captures of different names share chunks. Whoever sees the sizes in
// a repository and can have data captured may learn from them what else is stored: what
// is there already adds nothing, and what is compressed with a secret tells of it by its
// length. It can't be changed once a repository is made.
type Apart string

// The ways of keeping captures apart. Those of one name always share chunks.
const (
	// Together shares chunks among all captures: it saves most.
	Together Apart = vault.Together
	// ApartCompressed stores the same content again for each name, and compresses no
	// two members together. Names of members are compressed with each other.
	ApartCompressed Apart = vault.ApartCompressed
	// ApartStored is ApartCompressed without compressing anything, names included.
	ApartStored Apart = vault.ApartStored
)

// Apart tells how captures of different names are kept apart.
func (r *Repository) Apart() Apart { return Apart(r.vault.Apart()) }
