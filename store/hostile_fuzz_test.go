package store_test

import (
	"archive/tar"
	"bytes"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// dice makes choices by the bytes of an input, and 0 once they are used up.
type dice struct{ b []byte }

func (d *dice) byte() byte {
	if len(d.b) == 0 {
		return 0
	}
	c := d.b[0]
	d.b = d.b[1:]
	return c
}

// below gives a number below n, which is at most 256.
func (d *dice) below(n int) int { return int(d.byte()) % n }

// number gives a number: mostly a small one, sometimes one at a border.
func (d *dice) number() uint64 {
	borders := []uint64{
		math.MaxUint64, math.MaxUint64 - 1, 1 << 63, math.MaxInt64, 1 << 62, 1 << 40, 1 << 32, math.MaxUint32, 1 << 31, 1 << 30,
		format.MaxMemberHead, format.MaxSlabChunks, format.MaxChunk, format.MaxFrameRaw, 1 << 16, 8192, 512, 511, 513, 1024,
	}
	c := d.byte()
	if i := int(c) - (256 - len(borders)); i >= 0 {
		return borders[i]
	}
	return uint64(c)
}

// text gives bytes of the input.
func (d *dice) text() []byte {
	n := min(d.below(64), len(d.b))
	s := d.b[:n]
	d.b = d.b[n:]
	return s
}

// gambler forges a repository by dice.
type gambler struct {
	*forge
	dice
	slabs  []format.SlabID
	chunks map[format.SlabID][][]byte
}

// forgeByDice makes a repository that the input describes: what it leaves out is as
// it should be.
func forgeByDice(t testing.TB, input []byte) *forge {
	g := &gambler{forge: newForge(t), dice: dice{input}, chunks: make(map[format.SlabID][][]byte)}
	for range 1 + g.below(3) {
		g.addSlab()
	}
	for range 1 + g.below(2) {
		var volumes []format.Volume
		for range 1 + g.below(2) {
			volumes = append(volumes, g.volume())
		}
		g.capture(func(i *format.IndexFile) {
			i.Added = g.number()
			if g.below(4) == 1 {
				i.Note = string(bytes.ToValidUTF8(g.text(), nil))
			}
		}, volumes...)
	}
	if g.below(4) != 1 {
		g.tables()
	}
	return g.forge
}

func (g *gambler) addSlab() {
	id := g.newSlabID()
	s := forgedSlab{id: &id}
	var all [][]byte
	for range 1 + g.below(3) {
		frame := forgedFrame{}
		for range 1 + g.below(4) {
			frame.chunks = append(frame.chunks, g.chunk(id))
		}
		all = append(all, frame.chunks...)
		switch g.below(16) {
		case 1:
			frame.packed = zstdBomb(int(g.number()&(1<<28-1))+1, g.below(2) == 1)
		case 2:
			frame.packed = append([]byte{}, g.text()...)
		case 3:
			frame.lengths = []uint32{uint32(g.number()), uint32(g.number())}
		case 4:
			frame.kind = format.FrameKind(g.number())
		case 5:
			frame.sealed = uint32(g.number())
		case 6:
			g.stand(&frame, id)
		}
		s.frames = append(s.frames, frame)
	}
	switch g.below(16) {
	case 1:
		s.record = func(r *format.SlabRecord) { r.Frames = r.Frames[:g.below(len(r.Frames)+1)] }
	case 2:
		s.record = func(r *format.SlabRecord) { r.Frames = append(r.Frames, r.Frames...) }
	case 3:
		s.trailer = &format.Trailer{Sections: g.number(), Length: g.number()}
	case 4:
		s.table = append([]byte{}, g.text()...)
	case 5:
		s.sections = append(format.AppendSectionHead(nil, format.SectionKind(g.number()), g.below(2) == 1, int(g.number())), g.text()...)
	case 6:
		s.record = func(r *format.SlabRecord) { r.Length = g.number() }
	}
	g.slabs = append(g.slabs, g.forgeSlab(s))
	g.chunks[id] = all
}

// stand makes a frame stand on chunks of its slab, or of another one.
func (g *gambler) stand(frame *forgedFrame, self format.SlabID) {
	frame.kind = format.Delta
	copies := g.zstd.EncodeAll(g.text(), nil)
	frame.packed = append(copies[:len(copies):len(copies)], g.zstd.EncodeAll(g.text(), nil)...)
	frame.stands = format.Standing{Depth: uint32(1 + g.below(2)), Copies: uint32(len(copies))}
	for range 1 + g.below(3) {
		on := self
		if len(g.slabs) > 0 && g.below(2) == 1 {
			on = g.slabs[g.below(len(g.slabs))]
		}
		frame.stands.Bases = append(frame.stands.Bases, format.Base{Slab: on, First: uint32(g.below(9)), Count: uint32(1 + g.below(3))})
	}
}

// chunk gives a chunk of contents, of a member list, of runs, states or stamps.
func (g *gambler) chunk(self format.SlabID) []byte {
	switch g.below(8) {
	case 0:
		return bean
	case 1, 2:
		return g.memberList()
	case 3:
		var b []byte
		encoder := format.NewRunEncoder()
		for range 1 + g.below(4) {
			b = append(b, encoder.Encode(g.run(self))...)
		}
		return b
	case 4:
		e := format.NewStateEncoder()
		state := e.Encode(format.State{Changed: int64(g.number()), Inode: g.number()})
		extent := e.Extent(&format.Extent{Entry: g.number(), Stamps: g.number(), Header: g.number(), Length: g.number(), Chunks: g.number()})
		return slices.Concat(e.Begin(), state, extent)
	case 5:
		return bytes.Repeat([]byte{0, byte(g.number())}, 1+g.below(200))
	case 6:
		return make([]byte, 1+g.number()&0x3fff)
	}
	return append([]byte{1}, g.text()...)
}

func (g *gambler) run(self format.SlabID) format.Run {
	r := format.Run{Slab: self, Count: 1, Times: 1}
	if n := g.below(4); n < len(g.slabs) {
		r.Slab = g.slabs[n]
	}
	switch g.below(8) {
	case 1:
		r.First = uint32(g.number())
	case 2:
		r.First, r.Count = uint32(g.below(3)), uint32(g.number())
	case 3:
		r.Times = uint32(g.number())
	default:
		r.First = uint32(g.below(8))
	}
	return r
}

func (g *gambler) memberList() []byte {
	var all []forgedMember
	for range 1 + g.below(4) {
		all = append(all, g.member())
	}
	return members(g.t, all...)
}

func (g *gambler) member() forgedMember {
	names := []string{"a", "./", "./catalogue", "link", "../canary", "/canary", "a/b", ".", "a/../b", "link/x", string(bytes.ReplaceAll(g.text(), []byte{0}, nil))}
	types := []byte{tar.TypeReg, tar.TypeReg, tar.TypeReg, tar.TypeDir, tar.TypeSymlink, tar.TypeLink, tar.TypeFifo, tar.TypeChar}
	name, link, typeflag := names[g.below(len(names))], names[g.below(len(names))], types[g.below(len(types))]
	m := forgedMember{}
	switch g.below(8) {
	case 1:
		m.length, m.chunks = g.number(), g.number()
	case 2, 3, 4:
		m.length, m.chunks = 4, 1
	}
	m.head = ustarBlock(name, link, typeflag, m.length)
	if g.below(16) == 1 { // a bit of the header, with a checksum that fits
		m.head[g.below(256)*2] ^= 1 << g.below(8)
		sumBlock(m.head)
	}
	for range g.below(8) / 5 {
		m.cuts = append(m.cuts, format.Cut{Offset: uint32(g.number()), Length: uint32(g.number()), Sum: g.below(2) == 1})
	}
	if g.below(16) == 1 {
		m.change = func(e *format.Entry) {
			e.Kind, e.Length, e.Chunks = uint32(g.below(3)), g.number(), g.number()
			e.Header = append([]byte{1}, g.text()...)
		}
	}
	return m
}

// ustarBlock gives a header block (POSIX pax, "ustar Interchange Format") of
// whatever it is to say.
func ustarBlock(name, link string, typeflag byte, size uint64) []byte {
	b := make([]byte, 512)
	copy(b[:100], name)
	copy(b[100:], "0000644\x000000000\x000000000\x00")
	copy(b[124:], fmt.Sprintf("%011o", size&(1<<33-1)))
	copy(b[136:], "00000000000")
	b[156] = typeflag
	copy(b[157:257], link)
	copy(b[257:], "ustar\x0000")
	return sumBlock(b)
}

// stream gives the recipe of some stored stream, or nil.
func (g *gambler) stream(may bool) *format.Recipe {
	var r format.Recipe
	switch g.below(8) {
	case 0, 1: // chunks of a slab, as they are
		id := g.slabs[g.below(len(g.slabs))]
		all := g.chunks[id]
		first := g.below(len(all))
		n := 1 + g.below(len(all)-first)
		r = g.recipe(id, uint32(first), all[first:first+n]...)
	case 2:
		r = g.stored(g.memberList())
	case 3:
		r = g.recipe(format.SlabID{}, 0)
	case 4:
		if may {
			return nil
		}
		fallthrough
	default:
		r = format.Recipe{Level: uint32(g.below(8)), Chunks: g.number(), Bytes: g.number(), Digest: crypt.Digest{}}
		for range g.below(4) {
			r.Runs = append(r.Runs, g.run(format.SlabID{1}))
		}
	}
	switch g.below(16) {
	case 1:
		r.Bytes = g.number()
	case 2:
		r.Chunks = g.number()
	case 3:
		r.Level = uint32(g.below(8))
	}
	return &r
}

func (g *gambler) volume() format.Volume {
	list := g.memberList()
	v := g.volumeOf(list)
	v.Source = priorSource
	v.Contents = g.stream(true)
	if g.below(4) == 1 {
		v.MemberList = *g.stream(false)
	}
	if g.below(4) == 1 {
		v.Stamps = g.stream(true)
	}
	if g.below(2) == 1 {
		v.States = g.stream(true)
	}
	switch g.below(16) {
	case 1:
		v.Length = g.number()
	case 2:
		v.Members = g.number()
	case 3:
		v.Tar = false
	case 4:
		v.SHA256 = make([]byte, g.below(64))
	}
	return v
}

// FuzzRepository reads repositories that the input describes, sealed as they
// should be, in every way.
func FuzzRepository(f *testing.F) {
	seeds, err := filepath.Glob("testdata/fuzz/FuzzRepository/*")
	if err != nil || len(seeds) < 8 {
		f.Fatalf("%d seeds, %v", len(seeds), err)
	}
	f.Fuzz(func(t *testing.T, input []byte) {
		if len(input) > 4096 {
			return
		}
		forgeByDice(t, input).readAll(t, func(string) time.Duration { return bombTime / 2 })
	})
}
