package format

// Records of notes that a machine keeps for itself. They are in no repository, and whoever finds
// one that is not as it should be goes without.

// ListedRecord is what is known of the objects of a folder, as they were listed: objects do not
// change.
type ListedRecord struct {
	Names []string `cbor:"1,keyasint"` // without the folder
	Sizes []uint64 `cbor:"2,keyasint"` // bytes
	Times []int64  `cbor:"3,keyasint"` // of the medium, nanoseconds since 1970

	// Of a folder that was not listed as a whole since: when it was, and when names behind some were listed last, by this
	// machine's clock, nanoseconds since 1970.
	All   int64 `cbor:"4,keyasint,omitempty"`
	Later int64 `cbor:"5,keyasint,omitempty"`
}

// Whole tells whether all is known of each object.
func (r *ListedRecord) Whole() bool {
	return len(r.Names) == len(r.Sizes) && len(r.Names) == len(r.Times)
}

// ReliedRecord is what the last capture of a service by this machine relies on.
type ReliedRecord struct {
	Open    bool     `cbor:"1,keyasint,omitempty"` // another one has begun since
	Capture string   `cbor:"2,keyasint"`           // its id
	Slabs   []SlabID `cbor:"3,keyasint,omitempty"` // that its recipes name
	Next    uint64   `cbor:"4,keyasint,omitempty"` // the folder of slabs that the next one looks into first

	Tables  []string      `cbor:"5,keyasint,omitempty"`  // that list these slabs, as names; copies of them are pinned
	Lengths []uint64      `cbor:"6,keyasint,omitempty"`  // of those, bytes
	Alone   uint64        `cbor:"7,keyasint,omitempty"`  // how many captures wrote tables since those of others were read
	Looked  uint64        `cbor:"8,keyasint,omitempty"`  // how many slabs a folder had that was looked into
	Seen    int64         `cbor:"9,keyasint,omitempty"`  // when the list of captures seen was made that the capture has, nanoseconds since 1970
	Crowds  []CrowdRecord `cbor:"10,keyasint,omitempty"` // of these slabs, by all tables that there were when all were read last
}

// CrowdRecord says how many frames stand on some chunks of a slab, by any way. Package intake numbers groups of chunks.
type CrowdRecord struct {
	_      struct{} `cbor:",toarray"`
	Slab   SlabID
	Group  uint32
	Frames uint32
}
