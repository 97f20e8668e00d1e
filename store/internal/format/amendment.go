package format

import "time"

// Amendment is what was amended of the record of a capture. What it has comes in the place
// of the record's own.
type Amendment struct {
	At      time.Time          `cbor:"1,keyasint"` // by the writer's clock
	Host    string             `cbor:"2,keyasint,omitempty"`
	Taken   *time.Time         `cbor:"3,keyasint,omitempty"`
	Version *string            `cbor:"5,keyasint,omitempty"`
	Note    *string            `cbor:"6,keyasint,omitempty"`
	Labels  *map[string]string `cbor:"8,keyasint,omitempty"` // all of them
}

// Current gives the record with what was amended in its place: for readers, and not to be
// written.
func (f *IndexFile) Current() *IndexFile {
	a := f.Amended
	if a == nil {
		return f
	}
	current := *f
	if a.Taken != nil {
		current.Taken = *a.Taken
	}
	if a.Version != nil {
		current.Version = *a.Version
	}
	if a.Note != nil {
		current.Note = *a.Note
	}
	if a.Labels != nil {
		current.Labels = *a.Labels
	}
	return &current
}
