package format

import (
	"time"

	"github.com/kistarchive/kist/crypt"
)

// PlaceRecord is the record of the mark that tells one place of a repository from the others.
// Which place it is stands in the mark's name.
type PlaceRecord struct {
	Made time.Time `cbor:"1,keyasint"`           // by the clock of who made the place
	Host string    `cbor:"2,keyasint,omitempty"` // for people
}

// ElsewhereRecord names captures that other places of the repository have or had, and this
// one does not: so they are not missed here.
type ElsewhereRecord struct {
	Made     time.Time      `cbor:"1,keyasint"`           // by the writer's clock
	Host     string         `cbor:"2,keyasint,omitempty"` // for people
	Captures []string       `cbor:"3,keyasint"`           // one at least; one may stand several times
	Hashes   []crypt.Digest `cbor:"4,keyasint"`           // of Captures, in order; zeros stand for one that isn't known
}

// check holds the fields against each other.
func (e *ElsewhereRecord) check() error {
	if len(e.Captures) == 0 || len(e.Captures) != len(e.Hashes) {
		return damaged("%d hashes of %d captures", len(e.Hashes), len(e.Captures))
	}
	return nil
}
