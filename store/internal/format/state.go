package format

import (
	"bufio"
	"bytes"
	"io"

	"github.com/fxamacker/cbor/v2"
)

// State is what a writer notes of a member of a folder, so that a later capture
// can tell whether it changed: all that a header is made of, and what the system
// changes with the content and the attributes. The zero value fits no member.
type State struct {
	_        struct{} `cbor:",toarray"`
	Path     []byte   // as in the header
	Type     uint8    // of the header (pax Interchange Format, typeflag)
	Mode     uint32   // as POSIX numbers them, without the type
	UID      uint64
	GID      uint64
	User     []byte
	Group    []byte
	Link     []byte // of a hard link, the member that it is a link to
	Size     uint64 // of a regular file, in bytes
	Modified int64  // st_mtime, in nanoseconds since 1970
	Changed  int64  // st_ctime, in nanoseconds after the modification time
	Device   uint64
	Inode    uint64
}

// Extent says what a member takes in the streams of its volume.
type Extent struct {
	_      struct{} `cbor:",toarray"`
	Entry  uint64   // bytes of its entry in the member list
	Stamps uint64   // bytes of its stamps, packed
	Header uint64   // bytes of its headers, without the padding of the content before
	Length uint64   // of its content
	Chunks uint64   // of its content
}

// StatesVersion is the first item of a stream of states, a number. Of another
// version nothing is taken over. It rises whenever a header is made in another
// way, for then a member that did not change has another header. Of version 1
// were arrays of the change time, the device and the inode alone.
const StatesVersion = 2

// maxState bounds the encoding of a state with its extent. That of a member
// with a longer path is the zero State.
const maxState = 16 << 10

// StateEncoder encodes states. Its zero value is not usable.
type StateEncoder struct {
	enc   cbor.UserBufferEncMode
	out   bytes.Buffer
	again State // encoding it makes no garbage
}

// NewStateEncoder gives an encoder.
func NewStateEncoder() *StateEncoder {
	return &StateEncoder{enc: newBufferEncoder()}
}

// Begin gives the first item of a stream.
func (e *StateEncoder) Begin() []byte { return e.encode(uint64(StatesVersion)) }

// Encode gives the encoding of a state.
func (e *StateEncoder) Encode(state State) []byte {
	e.again = state
	s := &e.again
	for _, b := range []*[]byte{&s.Path, &s.User, &s.Group, &s.Link} {
		if *b == nil {
			*b = none // one way to say none
		}
	}
	b := e.encode(s)
	if len(b) > maxState-maxExtent {
		return e.Encode(State{})
	}
	return b
}

var none = []byte{}

// maxExtent is the most that the encoding of an Extent takes.
const maxExtent = 1 + 5*9

// Extent gives the encoding of an extent.
func (e *StateEncoder) Extent(x *Extent) []byte { return e.encode(x) }

func (e *StateEncoder) encode(v any) []byte {
	e.out.Reset()
	if err := e.enc.MarshalToBuffer(v, &e.out); err != nil {
		panic(err) // the records hold nothing that can't be encoded
	}
	return bytes.Clone(e.out.Bytes())
}

// StateReader reads a stream of states: for each member a state, then its extent.
type StateReader struct {
	codec   codec
	encoder *StateEncoder
	in      *bufio.Reader
	begun   bool
	state   State // the next one
	length  int   // of its encoding, or 0 while that is not known
	extent  knownExtent
}

// knownExtent is an extent that was decoded, with its encoding. Neighbours often have
// the same one.
type knownExtent struct {
	extent  Extent
	encoded []byte
}

// NewStateReader reads the states in r.
func NewStateReader(r io.Reader) *StateReader {
	return &StateReader{codec: newCodec(), encoder: NewStateEncoder(), in: bufio.NewReaderSize(r, 4*maxState)}
}

// Is tells whether the next state is the one that is encoded as b. No encoding
// begins with another one.
func (r *StateReader) Is(b []byte) (bool, error) {
	ahead, err := r.ahead()
	if err != nil {
		return false, err
	}
	if !bytes.HasPrefix(ahead, b) {
		return false, nil
	}
	r.length = len(b)
	return true, nil
}

// Peek gives the next state, or io.EOF after the last. It is valid up to the next
// call of Next.
func (r *StateReader) Peek() (*State, error) {
	ahead, err := r.ahead()
	if err != nil {
		return nil, err
	}
	r.state = State{}
	if r.length, err = r.decode(ahead, &r.state, func() []byte { return r.encoder.Encode(r.state) }); err != nil {
		return nil, err
	}
	return &r.state, nil
}

// Next goes on to the next state. Of the one before it gives the extent, and the
// lengths of the encodings of both.
func (r *StateReader) Next() (x Extent, state, extent int, err error) {
	if r.length == 0 {
		if _, err := r.Peek(); err != nil {
			return x, 0, 0, err
		}
	}
	ahead, err := r.ahead()
	if err != nil {
		return x, 0, 0, err
	}
	state = r.length
	if k := &r.extent; len(k.encoded) == 0 || !bytes.HasPrefix(ahead[state:], k.encoded) {
		k.extent = Extent{}
		n, err := r.decode(ahead[state:], &k.extent, func() []byte { return r.encoder.Extent(&k.extent) })
		if err != nil {
			k.encoded = nil
			return x, 0, 0, err
		}
		k.encoded = append(k.encoded[:0], ahead[state:state+n]...)
	}
	r.length = 0
	extent = len(r.extent.encoded)
	_, err = r.in.Discard(state + extent)
	return r.extent.extent, state, extent, err
}

// ahead gives what is to be read next: a state and its extent at the least,
// unless the stream is cut short.
func (r *StateReader) ahead() ([]byte, error) {
	if !r.begun {
		if err := r.begin(); err != nil {
			return nil, err
		}
	}
	if n := r.in.Buffered(); n >= maxState {
		return r.in.Peek(n)
	}
	b, err := r.in.Peek(maxState)
	if err == io.EOF && len(b) > 0 {
		err = nil
	}
	return b, err
}

func (r *StateReader) begin() error {
	b, err := r.in.Peek(1)
	if err != nil {
		return err
	}
	if b[0] != StatesVersion { // a small number is encoded as itself
		return unknownPart("states of version %d", b[0])
	}
	r.begun = true
	_, err = r.in.Discard(1)
	return err
}

// decode fills v, a pointer to a record, from the item that b begins with, and
// gives that one's length. It must be what encode gives of v.
func (r *StateReader) decode(b []byte, v any, again func() []byte) (int, error) {
	rest, err := r.codec.strict.UnmarshalFirst(b, v)
	if err != nil {
		return 0, damaged("no such item: %v", err)
	}
	n := len(b) - len(rest)
	if !bytes.Equal(again(), b[:n]) {
		return 0, damaged("a record that is not encoded deterministically")
	}
	return n, nil
}
