package format

import (
	"bytes"
	"reflect"
	"sync"

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

// newBufferEncoder gives an encoder of the same, for records without times, that writes
// into its caller's buffer.
func newBufferEncoder() cbor.UserBufferEncMode {
	enc, err := cbor.CoreDetEncOptions().UserBufferEncMode()
	if err != nil {
		panic(err) // the options are constant
	}
	return enc
}

func newCodec() codec { return newCodecFor(MaxSlabChunks) }

// newCodecFor gives a codec for records whose arrays have at most so many
// elements.
func newCodecFor(elements int) codec {
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
		MaxArrayElements:  elements,
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

// bounds are those of a record: what is decoded takes many times the memory of
// the bytes that claim it.
type bounds struct {
	items int          // of CBOR, at all depths
	codec func() codec // for at most so many elements of an array; made once, as many records are small
}

func newBounds(items, elements int) bounds {
	return bounds{items, sync.OnceValue(func() codec { return newCodecFor(elements) })}
}

var (
	indexBounds = newBounds(MaxIndexItems, 1<<16)
	tableBounds = newBounds(2*MaxSlabChunks, MaxSlabChunks)
)

// checkItems counts the data items of b (RFC 8949, section 3: each begins with a
// head), as far as they are well-formed; the decoder looks at the rest.
func checkItems(b []byte, most int) error {
	for n := 0; len(b) > 0; n++ {
		if n == most {
			return damaged("a record of more than %d items", most)
		}
		kind, size := b[0]>>5, uint64(b[0]&31)
		b = b[1:]
		if size >= 24 && size <= 27 {
			more := 1 << (size - 24)
			if len(b) < more {
				return nil
			}
			size = 0
			for _, c := range b[:more] {
				size = size<<8 | uint64(c)
			}
			b = b[more:]
		}
		if kind == 2 || kind == 3 { // bytes and text stand behind their heads
			b = b[min(size, uint64(len(b))):]
		}
	}
	return nil
}

// decode fills v, a pointer to a record, from b. Of the fields that the record
// lacks, those with a key below zero are refused (ErrUnknownPart), the others
// skipped. Where nothing was skipped, only the encoding that encode gives is
// accepted.
func decode(b []byte, v any, most bounds) error { return decodeAs(b, v, most, false) }

// decodeAs is decode. What was accepted before, as a copy was that is kept, is not
// encoded again to be compared: that takes nearly as long as to decode it.
func decodeAs(b []byte, v any, most bounds, accepted bool) error {
	if err := checkItems(b, most.items); err != nil {
		return err
	}
	c := most.codec()
	if err := c.strict.Unmarshal(b, v); err != nil {
		return c.decodeKnown(b, v)
	}
	if accepted {
		return nil
	}
	return c.checkEncoding(v, b)
}

// checkEncoding makes sure that b is the encoding of v that encode gives. What
// was decoded need not be encodable: a time may be a number far beyond all years.
func (c codec) checkEncoding(v any, b []byte) error {
	again, err := c.enc.Marshal(v)
	if err != nil || !bytes.Equal(again, b) {
		return damaged("a record that is not encoded deterministically")
	}
	return nil
}

// decodeKnown decodes a record some of whose fields v lacks, or finds out what
// is wrong with it. What a later version requires comes first: it may have given
// other fields another form.
func (c codec) decodeKnown(b []byte, v any) error {
	var all, known any
	if err := c.lenient.Unmarshal(b, &all); err != nil {
		return damaged("no such record: %v", err)
	}
	if k := required(all); k != nil {
		return unknownPart("field %v", k)
	}
	if err := c.checkEncoding(all, b); err != nil {
		return err
	}
	if err := c.lenient.Unmarshal(b, v); err != nil {
		return damaged("no such record: %v", err)
	}
	again, err := c.enc.Marshal(v)
	if err == nil {
		err = c.lenient.Unmarshal(again, &known)
	}
	if err != nil {
		return damaged("no such record: %v", err)
	}
	return within(known, all)
}

// within compares what is known of a record with all of it: the same but for
// fields of maps that may be skipped.
func within(known, all any) error {
	switch k := known.(type) {
	case []any:
		a, ok := all.([]any)
		if !ok || len(a) != len(k) {
			return damaged("a field of another form")
		}
		for i := range k {
			if err := within(k[i], a[i]); err != nil {
				return err
			}
		}
		return nil
	case map[any]any:
		return withinMap(k, all)
	}
	if !reflect.DeepEqual(known, all) {
		return damaged("a field of another form")
	}
	return nil
}

func withinMap(known map[any]any, all any) error {
	a, ok := all.(map[any]any)
	if !ok {
		return damaged("a field of another form")
	}
	for key, v := range known {
		have, ok := a[key]
		if !ok {
			return damaged("field %v is missing", key)
		}
		if err := within(v, have); err != nil {
			return err
		}
	}
	for key := range a {
		if _, ok := known[key]; ok {
			continue
		}
		switch key.(type) {
		case uint64:
		case int64:
			return unknownPart("field %v", key) // known elsewhere
		default:
			return damaged("a field named %v", key)
		}
	}
	return nil
}

// lastRequired is the lowest key below zero that this package knows. They are numbered through, over all records.
const lastRequired = -2

// required gives a key below zero within v that no field of this package has, or nil: a later version put it there,
// and it must be understood.
func required(v any) any {
	switch v := v.(type) {
	case []any:
		for _, e := range v {
			if k := required(e); k != nil {
				return k
			}
		}
	case map[any]any:
		for key, e := range v {
			if k, ok := key.(int64); ok && k < lastRequired {
				return k
			}
			if k := required(e); k != nil {
				return k
			}
		}
	}
	return nil
}
