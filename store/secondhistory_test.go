package store_test

import (
	"bytes"
	"fmt"

	"github.com/fxamacker/cbor/v2"
	"lukechampine.com/blake3"
)

// Hashes of captures and the chains that they make, sections 9 and 10, as the page tells
// them.

// captureHash gives the hash of a capture, made of its record as maps and arrays.
func captureHash(plain []byte) ([]byte, error) {
	var record map[uint64]any
	if err := cbor.Unmarshal(plain, &record); err != nil {
		return nil, err
	}
	hashed := only(record, 1, 12)
	recipe := func(m map[uint64]any, key uint64) {
		if r, ok := m[key]; ok {
			m[key] = only(numbered(r), 3, 5)
		}
	}
	recipe(hashed, 11)
	volumes, _ := hashed[9].([]any)
	for i := range volumes {
		v := only(numbered(volumes[i]), 1, 14)
		for key := uint64(10); key <= 13; key++ {
			recipe(v, key)
		}
		volumes[i] = v
	}
	b, err := secondEncoding().Marshal(hashed)
	if err != nil {
		return nil, err
	}
	sum := blake3.Sum256(append([]byte(secondCaptureHash), b...))
	return sum[:], nil
}

// only gives the fields of a map with keys from first to last.
func only(m map[uint64]any, first, last uint64) map[uint64]any {
	out := map[uint64]any{}
	for key, v := range m {
		if first <= key && key <= last {
			out[key] = v
		}
	}
	return out
}

// numbered gives a map with whole numbers as keys.
func numbered(v any) map[uint64]any {
	out := map[uint64]any{}
	m, _ := v.(map[any]any)
	for key, v := range m {
		if n, ok := key.(uint64); ok {
			out[n] = v
		}
	}
	return out
}

// secondGone is the record of a mark of what is gone, section 10.
type secondGone struct {
	Made     string   `cbor:"1,keyasint"`
	Captures []string `cbor:"3,keyasint,omitempty"`
	Hashes   [][]byte `cbor:"5,keyasint,omitempty"`
}

// gone gives the hashes with which captures went, by their ids; an empty one where it
// isn't known.
func (r *secondReader) gone() (map[string][][]byte, error) {
	names, err := r.list("condemned")
	if err != nil {
		return nil, err
	}
	all := map[string][][]byte{}
	for _, name := range names {
		if !bytes.HasSuffix([]byte(name), []byte(".gone")) {
			continue
		}
		o, err := r.object("batch", name)
		if err != nil {
			return nil, err
		}
		plain, err := o.open(secondRecord, 0, o.body)
		if err != nil {
			return nil, err
		}
		var g secondGone
		if err := secondRecordInto(plain, &g); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		if len(g.Hashes) != 0 && len(g.Hashes) != len(g.Captures) {
			return nil, fmt.Errorf("%s: %d hashes of %d captures", name, len(g.Hashes), len(g.Captures))
		}
		for i, id := range g.Captures {
			hash := []byte(nil)
			if len(g.Hashes) > 0 && !bytes.Equal(g.Hashes[i], make([]byte, 32)) {
				hash = g.Hashes[i]
			}
			all[id] = append(all[id], hash)
		}
	}
	return all, nil
}

// checkChains holds each capture that names one before against that one, and gives how
// many do. There is one generation of each.
func (r *secondReader) checkChains() (links int, err error) {
	gone, err := r.gone()
	if err != nil {
		return 0, err
	}
	files, err := r.list("captures")
	if err != nil {
		return 0, err
	}
	there, hashes := map[string]*secondIndex{}, map[string][]byte{}
	for _, name := range files {
		x, plain, err := r.index(name)
		if err != nil {
			return 0, err
		}
		there[x.ID] = x
		if hashes[x.ID], err = captureHash(plain); err != nil {
			return 0, err
		}
	}
	for id, x := range there {
		if x.Before == nil {
			continue
		}
		links++
		fits := bytes.Equal(hashes[x.Before.ID], x.Before.Hash)
		for _, hash := range gone[x.Before.ID] {
			fits = fits || bytes.Equal(hash, x.Before.Hash) || hash == nil && there[x.Before.ID] == nil
		}
		if !fits {
			return links, fmt.Errorf("%s names %s with hash %x, and that has %x", id, x.Before.ID, x.Before.Hash, hashes[x.Before.ID])
		}
	}
	return links, nil
}
