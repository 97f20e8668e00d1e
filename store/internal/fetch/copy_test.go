package fetch

import (
	"bytes"
	"errors"
	"io"
	"testing"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// copied reads a slab to its end, and holds that the error comes again.
func copied(t *testing.T, c *Copy) ([]byte, error) {
	t.Helper()
	b, err := io.ReadAll(c)
	if _, again := c.Read(make([]byte, 9)); err != nil && again != err || c.Failed() != err {
		t.Errorf("%v, then %v, and %v is told", err, again, c.Failed())
	}
	return b, err
}

// Copying fails at a frame of a kind that this release does not know, as it can't be proved.
func TestCopyUnknownKind(t *testing.T) {
	d := newDeltas(t)
	id := format.NewSlabID()
	f, packed := d.plain([]byte("a bean"))
	f.Kind = 9
	d.put(id, give(d.plain([]byte("a pea"))), give(f, packed))
	c, err := d.open(t, d.storage).Copy(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	var at *SlabError
	if _, err := copied(t, c); !errors.Is(err, format.ErrUnknownPart) || !errors.As(err, &at) || at.Slab != id || at.Frame != 1 {
		t.Errorf("%v", err)
	}
	if n := len(c.Record().Frames); n != 1 {
		t.Errorf("%d frames are told", n)
	}
}

// Where a slab is exchanged under who copies it, for a shorter one that is whole, nothing of that is given.
func TestCopyExchanged(t *testing.T) {
	r := newStoredWith(t, 3, noise(1, 20, 3000), noise(2, 20, 3000))
	slab := r.slabBytes(t)
	c, err := r.open(t, r.storage).Copy(t.Context(), r.slab)
	if err != nil {
		t.Fatal(err)
	}
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	if err != nil {
		t.Fatal(err)
	}
	packed := enc.EncodeAll([]byte("twelve bytes"), nil)
	short := r.sealed(t, r.slab, [][]byte{packed}, format.SlabTable{Frames: []format.Frame{
		{Kind: format.Zstd, Sealed: uint32(len(packed) + crypt.Overhead), Chunks: []uint32{12}},
	}}, 0)
	err = errors.Join(r.storage.Remove(t.Context(), names.Slab(r.slab)), r.storage.Put(t.Context(), names.Spare(names.Slab(r.slab)), bytes.NewReader(short)))
	if err != nil {
		t.Fatal(err)
	}
	if whole, err := c.s.Whole(t.Context(), r.slab, nil); err != nil || !bytes.Equal(whole, short) {
		t.Fatalf("what was put aside: %v", err)
	}
	got, err := copied(t, c)
	wantDamage(t, "exchanged", err, r.slab)
	if !bytes.HasPrefix(slab, got) {
		t.Errorf("%d bytes were given of another slab", len(got))
	}
}
