package format

import "time"

// VerificationRecord is the record of what verifying found.
type VerificationRecord struct {
	Ended    time.Time `cbor:"1,keyasint"` // by the writer's clock
	Host     string    `cbor:"2,keyasint,omitempty"`
	Extent   string    `cbor:"3,keyasint"`
	Share    uint32    `cbor:"4,keyasint,omitempty"` // of the frames, in millionths
	Captures uint64    `cbor:"5,keyasint"`
	Damaged  uint64    `cbor:"6,keyasint,omitempty"` // objects
	Took     uint64    `cbor:"7,keyasint"`           // milliseconds
	Read     uint64    `cbor:"8,keyasint"`           // bytes
	Some     bool      `cbor:"9,keyasint,omitempty"` // about some captures only
}

// Extents of verifying, each with all of those before it.
const (
	ExtentListed = "listed" // index files, tables and those of slabs were opened
	ExtentSample = "sample" // and some frames
	ExtentFull   = "full"   // and all
)

// depth orders extents. One of a later release is taken for the least.
func depth(extent string) int {
	switch extent {
	case ExtentSample:
		return 1
	case ExtentFull:
		return 2
	}
	return 0
}

// Supersedes tells whether v, which began when o was there, makes o superfluous: nothing of
// what o tells stands any more that v does not tell.
func (v *VerificationRecord) Supersedes(o *VerificationRecord) bool {
	switch {
	case v.Some && !o.Some, depth(v.Extent) < depth(o.Extent):
		return false
	case o.Damaged == 0 || v.Damaged > 0:
		return true
	}
	return !v.Some && (v.Extent == ExtentFull || depth(o.Extent) == 0)
}
