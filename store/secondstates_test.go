package store_test

import (
	"bytes"
	"errors"
	"fmt"

	"github.com/fxamacker/cbor/v2"
)

// secondState is the state of a member.
type secondState struct {
	_                 struct{} `cbor:",toarray"`
	Path              []byte
	Type              uint8
	Mode              uint32
	UID, GID          uint64
	User, Group, Link []byte
	Size              uint64
	Modified          int64 // nanoseconds since 1970
	Changed           int64 // nanoseconds after the modification time
	Device, Inode     uint64
}

// secondExtent is what a member takes in the streams of its volume.
type secondExtent struct {
	_                                     struct{} `cbor:",toarray"`
	Entry, Stamps, Header, Length, Chunks uint64
}

// secondFirstState is a state of version 1.
type secondFirstState struct {
	_       struct{} `cbor:",toarray"`
	Changed int64    // nanoseconds after the modification time
	Device  uint64
	Inode   uint64
}

// states gives the states of a volume's members, nil where there are none, with
// the extents that stand behind each. Of version 1 it gives what there is.
func (r *secondReader) states(v *secondVolume) (states []secondState, extents []secondExtent, err error) {
	chunks, err := r.optional(v.States)
	if err != nil || chunks == nil {
		return nil, nil, err
	}
	stream := bytes.Join(chunks, nil)
	switch stream[0] {
	case 1:
		var first []secondFirstState
		first, err = secondSequence[secondFirstState](stream[1:])
		for _, s := range first {
			states = append(states, secondState{Changed: s.Changed, Device: s.Device, Inode: s.Inode})
		}
	case 2:
		states, extents, err = secondPairs[secondState, secondExtent](stream[1:])
	default:
		err = fmt.Errorf("states begin with %x", stream[0])
	}
	if err == nil && uint64(len(states)) != v.Members {
		err = fmt.Errorf("%d states of %d members", len(states), v.Members)
	}
	return states, extents, err
}

// secondPairs reads a CBOR sequence of two records by turns.
func secondPairs[A, B any](stream []byte) (as []A, bs []B, err error) {
	items, err := secondSequence[cbor.RawMessage](stream)
	if err == nil && len(items)%2 != 0 {
		err = fmt.Errorf("%d items are no pairs", len(items))
	}
	for len(items) > 0 && err == nil {
		var a A
		var b B
		err = errors.Join(secondRecordInto(items[0], &a), secondRecordInto(items[1], &b))
		as, bs, items = append(as, a), append(bs, b), items[2:]
	}
	return as, bs, err
}

// checkExtents holds extents against the streams that they are about.
func (r *secondReader) checkExtents(v *secondVolume, extents []secondExtent) error {
	entries, err := r.members(v)
	if err != nil {
		return err
	}
	list, err := r.stream(&v.List)
	if err != nil {
		return err
	}
	items, err := secondSequence[cbor.RawMessage](bytes.Join(list, nil))
	if err != nil {
		return err
	}
	chunks, err := r.optional(v.Stamps)
	if err != nil {
		return err
	}
	stamps, before := bytes.Join(chunks, nil), uint64(0)
	for i, x := range extents {
		e := &entries[i]
		header, own, rest, err := e.unpack(stamps)
		if err != nil {
			return err
		}
		want := secondExtent{
			Entry: uint64(len(items[i])), Stamps: uint64(len(stamps) - len(rest)),
			Header: uint64(len(header)+len(own)) - (-before & 511), Length: e.Length, Chunks: e.Chunks,
		}
		if x != want {
			return fmt.Errorf("member %d: extent %v, should be %v", i, x, want)
		}
		stamps, before = rest, e.Length
	}
	return nil
}
