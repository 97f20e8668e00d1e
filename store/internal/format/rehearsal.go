package format

import "time"

// RehearsalRecord is the record of how restoring a capture for a trial went. Which capture it
// is about stands in its name, to which it is sealed.
type RehearsalRecord struct {
	Ended   time.Time `cbor:"1,keyasint"` // by the writer's clock
	Host    string    `cbor:"2,keyasint,omitempty"`
	Fault   string    `cbor:"3,keyasint,omitempty"` // for people
	Took    uint64    `cbor:"4,keyasint"`           // milliseconds
	Outcome string    `cbor:"5,keyasint"`
	Checked []string  `cbor:"6,keyasint,omitempty"` // for people
}

// Outcomes of rehearsals.
const (
	OutcomeWhole  = "whole"  // all came back
	OutcomeUp     = "up"     // and the service came up on it
	OutcomeHarmed = "harmed" // some did not come back
	OutcomeDown   = "down"   // all came back, and the service did not come up
)
