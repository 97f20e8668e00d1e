package format

import (
	"errors"
	"testing"

	"github.com/kistarchive/kist/crypt"
)

func TestFormer(t *testing.T) {
	two := func(a, b int) []byte {
		return AppendFormer(AppendFormer(nil, a, crypt.Identity{1}), b, crypt.Identity{2})
	}
	for name, c := range map[string]struct {
		former []byte
		ok     bool
	}{
		"none":             {nil, true},
		"of two chunks":    {two(0, 1), true},
		"of one chunk":     {two(1, 1), true},
		"out of order":     {two(1, 0), false},
		"of no chunk":      {two(1, 2), false},
		"cut short":        {two(0, 1)[:39], false},
		"a number of -1":   {two(-1, -1), false},
		"with bytes left":  {append(two(0, 1), 0), false},
		"an identity only": {make([]byte, 16), false},
	} {
		t.Run(name, func(t *testing.T) {
			rec := SlabRecord{Length: 99, Frames: []TableFrame{{Kind: Zstd, Sealed: 9, Chunks: []uint32{5, 6}, IDs: make([]byte, 32), Former: c.former}}}
			got, err := DecodeSlabRecord(rec.Encode())
			if c.ok != (err == nil) || err != nil && !errors.Is(err, ErrDamaged) {
				t.Fatalf("decoding gave %v", err)
			}
			if !c.ok {
				return
			}
			n := 0
			for chunk, id := range got.Frames[0].FormerIDs() {
				if string(AppendFormer(nil, chunk, id)) != string(c.former[20*n:][:20]) {
					t.Errorf("chunk %d was %x", chunk, id)
				}
				n++
			}
			if n != len(c.former)/20 {
				t.Errorf("%d former identities", n)
			}
		})
	}
}

// A record without former identities is as it was before there were any.
func TestNoFormer(t *testing.T) {
	rec := SlabRecord{Length: 99, Frames: []TableFrame{{Kind: Zstd, Sealed: 9, Chunks: []uint32{5}, IDs: make([]byte, 16)}}}
	type frame struct {
		Kind   FrameKind `cbor:"1,keyasint"`
		Sealed uint32    `cbor:"2,keyasint"`
		Chunks []uint32  `cbor:"3,keyasint"`
		IDs    []byte    `cbor:"4,keyasint"`
	}
	before := struct {
		Slab   SlabID  `cbor:"1,keyasint"`
		Length uint64  `cbor:"2,keyasint"`
		Frames []frame `cbor:"3,keyasint"`
	}{Length: 99, Frames: []frame{{Zstd, 9, []uint32{5}, make([]byte, 16)}}}
	if string(encode(&before)) != string(rec.Encode()) {
		t.Errorf("%x is not %x", rec.Encode(), encode(&before))
	}
}
