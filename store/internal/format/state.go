package format

import "io"

// State is what a writer notes of a file beside what its header says, so that a
// later capture can tell whether it changed. There is one for each member of a
// folder's member list, in the same order.
type State struct {
	_       struct{} `cbor:",toarray"`
	Changed int64    // the change time (st_ctime), in nanoseconds after the modification time
	Device  uint64
	Inode   uint64
}

// StatesVersion is the first item of a stream of states, a number. Of another
// version nothing is taken over. It rises whenever a header is made in another
// way, for then a member that did not change has another header.
const StatesVersion = 1

// StateEncoder encodes states. Its zero value is not usable.
type StateEncoder struct{ c codec }

// NewStateEncoder gives an encoder.
func NewStateEncoder() *StateEncoder { return &StateEncoder{newCodec()} }

// Begin gives the first item of a stream.
func (e *StateEncoder) Begin() []byte { return e.c.encode(StatesVersion) }

// Encode gives the encoding of one state.
func (e *StateEncoder) Encode(s State) []byte { return e.c.encode(s) }

// StateReader reads a stream of states.
type StateReader struct {
	seq   *sequence
	begun bool
}

// NewStateReader reads the states in r.
func NewStateReader(r io.Reader) *StateReader { return &StateReader{seq: newSequence(r)} }

// Next gives the next state, or io.EOF after the last.
func (r *StateReader) Next() (State, error) {
	var s State
	if !r.begun {
		r.begun = true
		var version uint64
		if err := r.seq.next(&version); err != nil {
			return s, err
		}
		if version != StatesVersion {
			return s, unknownPart("states of version %d", version)
		}
	}
	err := r.seq.next(&s)
	return s, err
}
