package format

import (
	"bytes"
	"errors"
	"fmt"

	"github.com/fxamacker/cbor/v2"
)

// codec holds the one way in which records are encoded and decoded:
// deterministic CBOR (RFC 8949, section 4.2.1), no tags, no indefinite
// lengths, no duplicate keys.
type codec struct {
	enc     cbor.EncMode
	strict  cbor.DecMode // refuses fields that the record lacks
	lenient cbor.DecMode // skips them
}

func newCodec() codec {
	eo := cbor.CoreDetEncOptions()
	eo.Time = cbor.TimeRFC3339NanoUTC
	enc, err := eo.EncMode()
	if err != nil {
		panic(err) // the options are constant
	}
	o := cbor.DecOptions{
		DupMapKey:         cbor.DupMapKeyEnforcedAPF,
		IndefLength:       cbor.IndefLengthForbidden,
		TagsMd:            cbor.TagsForbidden,
		UTF8:              cbor.UTF8DecodeInvalid, // names are what the machine says they are
		MaxArrayElements:  MaxSlabChunks,
		MaxMapPairs:       1 << 16,
		MaxNestedLevels:   16,
		ExtraReturnErrors: cbor.ExtraDecErrorUnknownField,
	}
	strict, err := o.DecMode()
	if err != nil {
		panic(err)
	}
	o.ExtraReturnErrors = cbor.ExtraDecErrorNone
	lenient, err := o.DecMode()
	if err != nil {
		panic(err)
	}
	return codec{enc, strict, lenient}
}

func (c codec) encode(v any) []byte {
	b, err := c.enc.Marshal(v)
	if err != nil {
		panic(err) // the records hold nothing that can't be encoded
	}
	return b
}

// encode gives the deterministic encoding of v, one of this package's records.
func encode(v any) []byte { return newCodec().encode(v) }

// decode fills v, a pointer to a record, from b. Of the fields that the record
// lacks, those with a key below zero are refused (ErrUnknownPart), the others
// skipped. Where nothing was skipped, only the encoding that encode gives is
// accepted.
func decode(b []byte, v any) error {
	c := newCodec()
	err := c.strict.Unmarshal(b, v)
	var unknown *cbor.UnknownFieldError
	if errors.As(err, &unknown) {
		return c.decodeKnown(b, v)
	}
	if err != nil {
		return damaged("no such record: %v", err)
	}
	if !bytes.Equal(c.encode(v), b) {
		return damaged("a record that is not encoded deterministically")
	}
	return nil
}

func (c codec) decodeKnown(b []byte, v any) error {
	var all any
	if err := c.lenient.Unmarshal(b, &all); err != nil {
		return damaged("no such record: %v", err)
	}
	if k := required(all); k != 0 {
		return fmt.Errorf("%w: field %d", ErrUnknownPart, k)
	}
	if err := c.lenient.Unmarshal(b, v); err != nil {
		return damaged("no such record: %v", err)
	}
	return nil
}

// required gives a key below zero within v, or 0. Version 1 has no such field,
// so each is one that a later version put there and that must be understood.
func required(v any) int64 {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			if k := required(e); k != 0 {
				return k
			}
		}
	case map[any]any:
		for key, e := range v {
			if k, ok := key.(int64); ok && k < 0 {
				return k
			}
			if k := required(e); k != 0 {
				return k
			}
		}
	}
	return 0
}
