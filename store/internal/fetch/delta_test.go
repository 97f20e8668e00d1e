package fetch

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"slices"
	"testing"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/delta"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// deltas are slabs that are made by hand.
type deltas struct {
	*stored
	t   testing.TB
	enc *zstd.Encoder
}

func newDeltas(t testing.TB) *deltas {
	enc, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	if err != nil {
		t.Fatal(err)
	}
	return &deltas{newStored(t, noise(1, 1, 50)), t, enc}
}

// part compresses a part of a frame.
func (d *deltas) part(b []byte) []byte {
	if len(b) == 0 {
		return nil
	}
	return d.enc.EncodeAll(b, nil)
}

// plain gives a frame that stands alone.
func (d *deltas) plain(chunks ...[]byte) (format.Frame, []byte) {
	packed := d.part(bytes.Join(chunks, nil))
	return format.Frame{Kind: format.Zstd, Sealed: uint32(len(packed) + crypt.Overhead), Chunks: lengthsOf(chunks)}, packed
}

func lengthsOf(chunks [][]byte) (lengths []uint32) {
	for _, c := range chunks {
		lengths = append(lengths, uint32(len(c)))
	}
	return lengths
}

// delta gives a frame of chunks that are said by bases, which hold base.
func (d *deltas) delta(depth uint32, base []byte, bases []format.Base, chunks ...[]byte) (format.Frame, []byte) {
	var e delta.Encoder
	copies, literals := e.Encode(nil, nil, base, bytes.Join(chunks, nil))
	return d.said(depth, copies, literals, bases, chunks)
}

// said is delta for copies and literals at hand.
func (d *deltas) said(depth uint32, copies, literals []byte, bases []format.Base, chunks [][]byte) (format.Frame, []byte) {
	first := d.enc.EncodeAll(copies, nil)
	packed := append(bytes.Clone(first), d.part(literals)...)
	return format.Frame{
		Kind: format.Delta, Sealed: uint32(len(packed) + crypt.Overhead), Chunks: lengthsOf(chunks),
		Standing: format.Standing{Depth: depth, Copies: uint32(len(first)), Bases: bases},
	}, packed
}

// put stores a slab of frames.
func (d *deltas) put(id format.SlabID, frames ...func() (format.Frame, []byte)) {
	d.t.Helper()
	var table format.SlabTable
	var packed [][]byte
	for _, f := range frames {
		frame, p := f()
		table.Frames, packed = append(table.Frames, frame), append(packed, p)
	}
	if err := d.storage.Put(d.t.Context(), names.Slab(id), bytes.NewReader(d.sealed(d.t, id, packed, table, 0))); err != nil {
		d.t.Fatal(err)
	}
}

// read reads chunks of a slab.
func (d *deltas) read(id format.SlabID, first, count uint32) ([][]byte, error) {
	s := d.open(d.t, d.storage)
	r := s.Read(d.t.Context(), Inline([]format.Run{{Slab: id, First: first, Count: count, Times: 1}}))
	got, _, err := readAll(r.Next)
	r.Close()
	for key, e := range s.frames.entries {
		if f := e.Value.(*entry[frameKey, *cachedFrame]).value; f.users != 0 {
			d.t.Errorf("frame %d is still lent to %d", key.frame, f.users)
		}
	}
	return got, err
}

func give(f format.Frame, packed []byte) func() (format.Frame, []byte) {
	return func() (format.Frame, []byte) { return f, packed }
}

// alike gives a content that differs in a byte.
func alike(b []byte, at int) []byte {
	b = bytes.Clone(b)
	b[at] ^= 1
	return b
}

// Frames that stand on others, of their own slab and of another one, over two levels.
func TestReadDeltas(t *testing.T) {
	d := newDeltas(t)
	c := noise(7, 8, 9000)
	one, two := format.NewSlabID(), format.NewSlabID()
	a, b := alike(c[1], 3), alike(c[2], 5)
	d.put(one, give(d.plain(c[0], c[1])), give(d.plain(c[2])),
		give(d.delta(1, c[1], []format.Base{{Slab: one, First: 1, Count: 1}}, a)))
	joined := bytes.Join([][]byte{b, c[0], c[1]}, nil)
	last := [][]byte{alike(b, 7), alike(c[0], 1), []byte("a bean"), alike(c[1], 2)}
	d.put(two, give(d.delta(1, c[2], []format.Base{{Slab: one, First: 2, Count: 1}}, b)), give(d.plain(c[3])),
		give(d.delta(2, joined, []format.Base{{Slab: two, First: 0, Count: 1}, {Slab: one, First: 0, Count: 2}}, last...)))
	for _, test := range []struct {
		slab  format.SlabID
		first uint32
		want  [][]byte
	}{
		{one, 0, [][]byte{c[0], c[1], c[2], a}},
		{two, 0, [][]byte{b, c[3], last[0], last[1], last[2], last[3]}},
		{two, 4, [][]byte{last[2]}},
	} {
		got, err := d.read(test.slab, test.first, uint32(len(test.want)))
		if err != nil {
			t.Fatal(err)
		}
		for i := range test.want {
			if !bytes.Equal(got[i], test.want[i]) {
				t.Errorf("chunk %d of slab %s is another one", int(test.first)+i, test.slab)
			}
		}
	}
	from, err := d.open(t, d.storage).Copy(t.Context(), two)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(io.Discard, from); err != nil {
		t.Errorf("copying: %v", err)
	}
	if got := from.Record(); len(got.Frames) != 3 || got.Frames[2].Depth != 2 || len(got.Frames[2].Bases) != 2 || len(got.Frames[2].IDs) != 64 {
		t.Errorf("the record of a copy: %+v", got)
	}
}

// TestFramesAtHand: what stands on others has more frames kept in memory, but not for a capture, which has enough there.
func TestFramesAtHand(t *testing.T) {
	d := newDeltas(t)
	c, id := noise(7, 1, 9000)[0], format.NewSlabID()
	d.put(id, give(d.plain(c)), give(d.delta(1, c, []format.Base{{Slab: id, First: 0, Count: 1}}, alike(c, 3))))
	s := d.open(t, d.storage)
	slab, err := s.Open(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		what string
		read func(context.Context, *Slab, int) ([]byte, error)
		want int
	}{{"a base", s.BaseFrame, cacheBytes}, {"a content", s.Frame, cacheBases}} {
		s.frames = newLRU[frameKey, *cachedFrame](cacheBytes)
		if _, err := test.read(t.Context(), slab, 1); err != nil || s.frames.limit != test.want {
			t.Errorf("%s: %d bytes of frames are kept, and %d are wanted: %v", test.what, s.frames.limit, test.want, err)
		}
	}
}

// What somebody with a key forged gives an error, and reads no more than a few frames.
func TestForgedDeltas(t *testing.T) {
	c := noise(8, 4, 3000)
	own := format.NewSlabID()
	on := func(first, count uint32) []format.Base { return []format.Base{{Slab: own, First: first, Count: count}} }
	for _, test := range []struct {
		name   string
		frames func(d *deltas) []func() (format.Frame, []byte)
		read   uint32
	}{
		{"a base that stands on it", func(d *deltas) []func() (format.Frame, []byte) {
			return []func() (format.Frame, []byte){give(d.delta(1, c[0], on(1, 1), c[0])), give(d.delta(1, c[0], on(0, 1), c[0]))}
		}, 0},
		{"a frame that stands on itself", func(d *deltas) []func() (format.Frame, []byte) {
			return []func() (format.Frame, []byte){give(d.delta(2, c[0], on(0, 1), c[0]))}
		}, 0},
		{"a base of equal depth", func(d *deltas) []func() (format.Frame, []byte) {
			return []func() (format.Frame, []byte){give(d.plain(c[0])), give(d.delta(1, c[0], on(0, 1), c[1])), give(d.delta(1, c[1], on(1, 1), c[1]))}
		}, 2},
		{"a base that is not there", func(d *deltas) []func() (format.Frame, []byte) {
			return []func() (format.Frame, []byte){give(d.plain(c[0])), give(d.delta(1, c[0], on(9, 1), c[0]))}
		}, 1},
		{"a base over two frames", func(d *deltas) []func() (format.Frame, []byte) {
			return []func() (format.Frame, []byte){give(d.plain(c[0])), give(d.plain(c[1])), give(d.delta(1, append(bytes.Clone(c[0]), c[1]...), on(0, 2), c[0]))}
		}, 2},
		{"a base in a frame that is too long", func(d *deltas) []func() (format.Frame, []byte) {
			long := make([]byte, format.MaxBaseRaw)
			return []func() (format.Frame, []byte){give(d.plain(c[0], long)), give(d.delta(1, c[0], on(0, 1), c[0]))}
		}, 2},
		{"bases in too many frames", func(d *deltas) []func() (format.Frame, []byte) {
			var frames []func() (format.Frame, []byte)
			var bases []format.Base
			for i := range uint32(format.MaxBaseFrames + 1) {
				frames, bases = append(frames, give(d.plain(c[0]))), append(bases, on(i, 1)...)
			}
			return append(frames, give(d.delta(1, bytes.Repeat(c[0], len(bases)), bases, c[0])))
		}, format.MaxBaseFrames + 1},
		{"bases that are too long together", func(d *deltas) []func() (format.Frame, []byte) {
			long := make([]byte, format.MaxBaseRaw)
			bases := bytes.Repeat([]byte{0}, 9)
			var named []format.Base
			for range bases {
				named = append(named, on(0, 1)...)
			}
			return []func() (format.Frame, []byte){give(d.plain(long)), give(d.delta(1, long, named, c[0]))}
		}, 1},
		{"a slab that is not there", func(d *deltas) []func() (format.Frame, []byte) {
			return []func() (format.Frame, []byte){give(d.delta(1, c[0], []format.Base{{Slab: format.SlabID{1}, Count: 1}}, c[0]))}
		}, 0},
		{"copies from behind the base", func(d *deltas) []func() (format.Frame, []byte) {
			f, packed := d.said(1, []byte{0, 0, 200, 200, 1}, nil, on(0, 1), [][]byte{make([]byte, 25672)})
			return []func() (format.Frame, []byte){give(d.plain([]byte("a bean"))), give(f, packed)}
		}, 1},
		{"literals that are a bomb", func(d *deltas) []func() (format.Frame, []byte) {
			f, packed := d.said(1, []byte{0, 0, 1}, make([]byte, 4*format.MaxFrameRaw), on(0, 1), c[:1])
			return []func() (format.Frame, []byte){give(d.plain(c[0])), give(f, packed)}
		}, 1},
		{"literals longer than the frame", func(d *deltas) []func() (format.Frame, []byte) {
			f, packed := d.said(1, []byte{0, 0, 1}, make([]byte, 5000), on(0, 1), c[:1])
			return []func() (format.Frame, []byte){give(d.plain(c[0])), give(f, packed)}
		}, 1},
		// They say what the frame holds, byte by byte; FORMAT.md, section 7: no part is longer than the chunks together.
		{"copies longer than the frame", func(d *deltas) []func() (format.Frame, []byte) {
			f, packed := d.said(1, bytes.Repeat([]byte{0, 0, 1}, len(c[0])), nil, on(0, 1), c[:1])
			return []func() (format.Frame, []byte){give(d.plain(c[0])), give(f, packed)}
		}, 1},
		{"no copies that can be decompressed", func(d *deltas) []func() (format.Frame, []byte) {
			f, packed := d.delta(1, c[0], on(0, 1), c[0])
			clear(packed[:4])
			return []func() (format.Frame, []byte){give(d.plain(c[0])), give(f, packed)}
		}, 1},
		{"chunks of another length", func(d *deltas) []func() (format.Frame, []byte) {
			f, packed := d.delta(1, c[0], on(0, 1), c[0])
			f.Chunks[0]++
			return []func() (format.Frame, []byte){give(d.plain(c[0])), give(f, packed)}
		}, 1},
	} {
		t.Run(test.name, func(t *testing.T) {
			d := newDeltas(t)
			d.put(own, test.frames(d)...)
			_, err := d.read(own, test.read, 1)
			wantDamage(t, test.name, err, own)
			if !errors.Is(err, format.ErrDamaged) {
				t.Error(err)
			}
		})
	}
}

// A frame names the place of damage in what it stands on, and is itself what can't be read.
func TestDamagedBase(t *testing.T) {
	d := newDeltas(t)
	c := noise(9, 1, 3000)
	one, two := format.NewSlabID(), format.NewSlabID()
	frame, packed := d.plain(c[0])
	packed[len(packed)-1] ^= 1
	f, p := d.delta(1, c[0], []format.Base{{Slab: one, Count: 1}}, alike(c[0], 1))
	packed = packed[:len(packed)-2]
	frame.Sealed -= 2
	d.put(one, give(frame, packed))
	d.put(two, give(f, p))
	_, err := d.read(two, 0, 1)
	wantDamage(t, "a damaged base", err, two)
	if !bytes.Contains([]byte(err.Error()), []byte(one.String())) {
		t.Errorf("%v does not name what it stands on", err)
	}
}

// What is read with one call is of the slab that is read: bases in another one, in frames of the same numbers, are read there.
func TestReadDeltasFromAfar(t *testing.T) {
	d := newDeltas(t)
	c := noise(11, 4, 3000)
	one, two := format.NewSlabID(), format.NewSlabID()
	var bases, standing []func() (format.Frame, []byte)
	var want [][]byte
	for i, chunk := range c {
		want = append(want, alike(chunk, i))
		bases = append(bases, give(d.plain(chunk)))
		standing = append(standing, give(d.delta(1, chunk, []format.Base{{Slab: one, First: uint32(i), Count: 1}}, want[i])))
	}
	d.put(one, bases...)
	d.put(two, standing...)
	s := d.open(t, d.storage)
	s.ReadAhead(2)
	r := s.Read(t.Context(), Inline([]format.Run{{Slab: two, Count: uint32(len(c)), Times: 1}}))
	defer r.Close()
	got, _, err := readAll(r.Next)
	if err != nil || !slices.EqualFunc(got, want, bytes.Equal) {
		t.Errorf("%d chunks, of %d; %v", len(got), len(want), err)
	}
}

// What was lent of the bases before one that can't be read is given back, which read looks for.
func TestDamagedSecondBase(t *testing.T) {
	d := newDeltas(t)
	c := noise(9, 2, 3000)
	own := format.NewSlabID()
	broken, packed := d.plain(c[1])
	packed = packed[:len(packed)-2]
	broken.Sealed -= 2
	bases := []format.Base{{Slab: own, First: 0, Count: 1}, {Slab: own, First: 1, Count: 1}}
	d.put(own, give(d.plain(c[0])), give(broken, packed), give(d.delta(1, bytes.Join(c, nil), bases, alike(c[0], 1), c[1])))
	_, err := d.read(own, 2, 1)
	wantDamage(t, "a damaged second base", err, own)
	if !errors.Is(err, ErrBase) {
		t.Error(err)
	}
}

// TestBasesThatAreRead counts reads of bases: none where a delta can't be, and else of those alone that bytes are copied from, also
// where others can't be read.
func TestBasesThatAreRead(t *testing.T) {
	const long = 10_000
	c := noise(12, 3, 1)
	for i := range c {
		c[i] = bytes.Repeat(c[i], long)[:long]
	}
	own, above := format.NewSlabID(), format.NewSlabID()
	broken := func(d *deltas) (format.Frame, []byte) {
		f, packed := d.plain(c[2])
		f.Sealed -= 2
		return f, packed[:len(packed)-2]
	}
	for _, test := range []struct {
		name             string
		copies, literals []byte
		n, reads         int // bytes of the frame; bases that are read, -1: it can't be
	}{
		{"of the first", []byte{0, 0, 20}, nil, 20, 1},
		{"of the second", binary.AppendVarint([]byte{0}, long), []byte("bean"), 4, -1}, // cut short
		{"of the second, with literals", append(binary.AppendVarint([]byte{2}, long), 20), []byte("bean"), 24, 1},
		{"of both", append(binary.AppendVarint([]byte{0}, long-10), 20), nil, 20, 2},
		{"back to the first", append(append(binary.AppendVarint([]byte{0}, long), 5, 0), append(binary.AppendVarint(nil, -long-5), 5)...), nil, 10, 2},
		{"from behind all", append(binary.AppendVarint([]byte{0, 0, 20, 0}, 3*long-20), 1), nil, 21, -1},
		{"too long", []byte{0, 0, 21}, nil, 20, -1},
		{"too short", []byte{0, 0, 19}, nil, 20, -1},
		{"too many literals", []byte{0, 0, 19}, []byte("pea"), 20, -1},
		{"literals that are not there", []byte{2, 0, 19}, []byte("p"), 21, -1},
	} {
		t.Run(test.name, func(t *testing.T) {
			d := newDeltas(t)
			d.put(own, give(d.plain(c[0])), give(d.plain(c[1])), give(broken(d)))
			bases := []format.Base{{Slab: own, First: 0, Count: 1}, {Slab: own, First: 1, Count: 1}, {Slab: own, First: 2, Count: 1}}
			d.put(above, give(d.said(1, test.copies, test.literals, bases, [][]byte{make([]byte, test.n)})))
			s := d.open(t, d.storage)
			slab, err := s.Open(t.Context(), above)
			if err != nil {
				t.Fatal(err)
			}
			low, err := s.Open(t.Context(), own)
			if err != nil {
				t.Fatal(err)
			}
			counted := storagetest.NewFaulty(d.storage)
			s.storage, s.ends = counted, newLRU[format.SlabID, *end](cacheEnds) // which the frames may lie in
			_, err = s.Frame(t.Context(), slab, 0)
			reads := counted.Calls(storagetest.ReadAt) - 1 // of the frame itself
			if test.reads < 0 {
				if reads != 0 || !errors.Is(err, format.ErrDamaged) || errors.Is(err, ErrBase) {
					t.Errorf("%d bases were read, %v", reads, err)
				}
			} else if reads != test.reads || err != nil {
				t.Errorf("%d bases were read, want %d: %v", reads, test.reads, err)
			}
			for n := range low.Frames {
				if f, ok := s.frames.get(frameKey{own, n}); ok && f.users != 0 {
					t.Errorf("frame %d is still lent to %d", n, f.users)
				}
			}
		})
	}
}
