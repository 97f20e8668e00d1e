package format

import "time"

const (
	// MaxParity is the most parity that slabs get, in percent.
	MaxParity = 20
	// MaxParitySlab is the length in bytes of the longest slab that has parity.
	MaxParitySlab = 64 << 20
)

// SettingsRecord is the record of the settings of a place of the repository that may be changed: who writes there
// goes by them.
type SettingsRecord struct {
	Made   time.Time `cbor:"1,keyasint"`           // by the writer's clock, for people
	Host   string    `cbor:"2,keyasint,omitempty"` // for people
	Parity uint32    `cbor:"3,keyasint,omitempty"` // percent of a slab; 0: none, and no spares of small objects
	Deltas string    `cbor:"4,keyasint,omitempty"` // which chunks are said by others; another one than those below: none
}

// The ways of deltas.
const (
	DeltasOwn = "own" // of chunks that the same session took in
	DeltasOn  = "on"  // also of those that the capture before had in their place
)

func (s *SettingsRecord) check() error {
	if s.Parity > MaxParity {
		return damaged("parity of %d %%", s.Parity)
	}
	return nil
}
