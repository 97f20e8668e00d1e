package format

import "io"

// State is what a writer notes of a file, so that a later capture need not read
// it again: see volume.State. There is one for each member of a folder's member
// list, in the same order.
type State struct {
	_                  struct{} `cbor:",toarray"`
	Path               []byte
	Kind               uint32 // as fs.FileMode has it
	Perm               int64
	UID, GID           int64
	User, Group        []byte
	Size               int64
	Modified, Changed  int64 // nanoseconds since 1970
	Device, Inode      uint64
	DevMajor, DevMinor int64
	Link               []byte
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
func (e *StateEncoder) Encode(s *State) []byte { return e.c.encode(s) }

// StateReader reads a stream of states.
type StateReader struct {
	seq   *sequence
	begun bool
}

// NewStateReader reads the states in r.
func NewStateReader(r io.Reader) *StateReader { return &StateReader{seq: newSequence(r)} }

// Next gives the next state, or io.EOF after the last.
func (r *StateReader) Next() (*State, error) {
	if !r.begun {
		r.begun = true
		var version uint64
		if err := r.seq.next(&version); err != nil {
			return nil, err
		}
		if version != StatesVersion {
			return nil, unknownPart("states of version %d", version)
		}
	}
	var s State
	if err := r.seq.next(&s); err != nil {
		return nil, err
	}
	return &s, nil
}
