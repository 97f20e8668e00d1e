package store_test

import (
	"archive/tar"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// hostile is a scenario: what is made by somebody who holds the key.
type hostile struct {
	make func(*forge)
	// refused are paths that must fail, whatever else may.
	refused []string
	// works are paths that must not.
	works []string
	// bomb: reading it does not end unless it is told to stop.
	bomb bool
}

var (
	allRestores = []string{"restore", "restore to a full disk", "extract"}
	bean        = []byte("bean")
)

const bothVerify = "verify in full"

// TestHostileRecords: records that are sealed as they should be and say what can't
// be.
func TestHostileRecords(t *testing.T) {
	runHostile(t, map[string]hostile{
		"honest": {
			make: func(f *forge) {
				f.capture(nil, f.volumeOf(members(f.t, regular("catalogue", 4)), bean))
				f.tables()
			},
			works: []string{"captures", "find", "slots", "members", "open member", "restore", "restore members",
				"extract", "verify", "verify in full", "compare", "usage", "capture", "rebuild tables"},
		},
		"a table that lists fewer chunks and frames than its slab": {
			make: func(f *forge) {
				id := f.forgeSlab(forgedSlab{
					frames: []forgedFrame{{chunks: [][]byte{bean}}, {chunks: [][]byte{bean, bean}}},
					record: func(r *format.SlabRecord) { r.Frames = r.Frames[:1] },
				})
				v := f.volumeOf(members(f.t, regular("catalogue", 4)))
				r := f.recipe(id, 0, bean)
				v.Contents = &r
				f.capture(nil, v)
				f.tables()
			},
			works: []string{"restore"},
		},
		"a table that lists more chunks than its slab": {
			make: func(f *forge) {
				id := f.forgeSlab(forgedSlab{
					frames: []forgedFrame{{chunks: [][]byte{bean}}},
					record: func(r *format.SlabRecord) {
						r.Frames = append(r.Frames, format.TableFrame{Kind: 1, Sealed: 9, Chunks: []uint32{7, 7}, IDs: make([]byte, 32)})
					},
				})
				v := f.volumeOf(members(f.t, regular("catalogue", 4)))
				v.Contents = &format.Recipe{Runs: []format.Run{{Slab: id, First: 1, Count: 2, Times: 1}}, Chunks: 2, Bytes: 14}
				f.capture(nil, v)
				f.tables()
			},
			refused: allRestores,
		},
		"tables that are no records": {
			make: func(f *forge) {
				f.capture(nil, f.volumeOf(members(f.t, regular("catalogue", 4)), bean))
				f.table([]byte{0xff}, bytes.Repeat([]byte{0x81}, 1000), []byte("kist"))
				f.table(make([]byte, 1<<20), bytes.Repeat([]byte{0xa0}, 1<<20))
			},
			works: []string{"restore", "usage"},
		},
		"slab tables whose sums overflow": {
			make: func(f *forge) {
				for i, frame := range []format.Frame{
					{Kind: 1, Sealed: math.MaxUint32, Chunks: []uint32{math.MaxUint32, math.MaxUint32}},
					{Kind: 1, Sealed: 20, Chunks: []uint32{4, math.MaxUint32 - 3}},
					{Kind: 1, Sealed: 20, Chunks: make([]uint32, 1<<20)},
					{Kind: 77, Sealed: 20, Chunks: []uint32{4}},
				} {
					table := &format.SlabTable{Frames: []format.Frame{frame, frame}}
					id := f.forgeSlab(forgedSlab{frames: []forgedFrame{{chunks: [][]byte{bean}}}, table: table.Encode()})
					v := f.volumeOf(members(f.t, regular(fmt.Sprintf("lot%d", i), 4)))
					r := f.recipe(id, 0, bean)
					v.Contents = &r
					f.capture(nil, v)
				}
			},
			refused: append([]string{bothVerify}, allRestores...),
		},
		"slabs that stand on each other": {
			make: func(f *forge) {
				one, two := f.newSlabID(), f.newSlabID()
				for i, id := range []format.SlabID{one, two} {
					on := []format.SlabID{two, one}[i]
					copies := f.zstd.EncodeAll([]byte{0, 0, 4}, nil)
					f.forgeSlab(forgedSlab{id: &id, frames: []forgedFrame{{
						chunks: [][]byte{bean}, kind: format.Delta, packed: copies,
						stands: format.Standing{Depth: 1, Copies: uint32(len(copies)), Bases: slices.Repeat([]format.Base{{Slab: on, Count: 1}}, format.MaxBases)},
					}}})
				}
				v := f.volumeOf(members(f.t, regular("catalogue", 4)))
				r := f.recipe(one, 0, bean)
				v.Contents = &r
				f.capture(func(i *format.IndexFile) { i.Deltas = true }, v)
				f.tables()
			},
			refused: allRestores,
		},
		"trailers that point anywhere": {
			make: func(f *forge) {
				for _, trailer := range []format.Trailer{
					{Sections: 0, Length: 0}, {Sections: math.MaxUint64, Length: math.MaxUint64},
					{Sections: 88, Length: 1 << 40}, {Sections: 1 << 62, Length: 400},
				} {
					id := f.forgeSlab(forgedSlab{frames: []forgedFrame{{chunks: [][]byte{bean}}}, trailer: &trailer})
					v := f.volumeOf(members(f.t, regular("catalogue", 4)))
					r := f.recipe(id, 0, bean)
					v.Contents = &r
					f.capture(nil, v)
				}
			},
			refused: allRestores,
		},
		"sections of absurd lengths": {
			make: func(f *forge) {
				for _, n := range []int{0, 1, math.MaxInt64, -1} {
					id := f.forgeSlab(forgedSlab{
						frames:   []forgedFrame{{chunks: [][]byte{bean}}},
						sections: append(format.AppendSectionHead(nil, 1, true, n), 0),
					})
					v := f.volumeOf(nil)
					v.MemberList = f.recipe(id, 0, bean)
					f.capture(nil, v)
				}
			},
			refused: allRestores,
		},
		"runs out of the slab": {
			make: func(f *forge) {
				slab := f.slab(bean)
				for _, run := range []format.Run{
					{Slab: slab, First: 1, Count: 1, Times: 1}, {Slab: slab, First: 0, Count: 1 << 20, Times: 1},
					{Slab: slab, First: math.MaxUint32, Count: math.MaxUint32, Times: 1},
					{Slab: slab, First: 0, Count: 0, Times: 1}, {Slab: slab, First: 0, Count: 1, Times: 0},
					{Slab: slab, First: 0, Count: 2, Times: 2}, {Slab: format.SlabID{1}, Count: 1, Times: 1},
				} {
					v := f.volumeOf(members(f.t, regular("catalogue", 4)))
					v.Contents = &format.Recipe{Runs: []format.Run{run}, Chunks: 1, Bytes: 4}
					f.capture(nil, v)
				}
				f.tables()
			},
			refused: allRestores,
		},
		"entries whose chunks are more than all chunks": {
			make: func(f *forge) {
				for _, chunks := range []uint64{math.MaxUint64, 1 << 63, 1 << 62, 1 << 32, 5} {
					bytes := forgedMember{header: &tar.Header{Name: "a", Mode: 0o644, Size: 4}, length: chunks, chunks: chunks}
					bytes.change = func(e *format.Entry) { e.Kind = 0 }
					f.capture(nil, f.volumeOf(members(f.t, regular("link0", 4), bytes, regular("link1", 4), regular("link2", 4)), bean, bean, bean))
				}
				f.tables()
			},
			refused: allRestores,
		},
		"entries whose chunks add up to a small number again": {
			make: func(f *forge) {
				other := func(chunks uint64) forgedMember {
					return forgedMember{head: []byte{1}, length: math.MaxUint64, chunks: chunks, change: func(e *format.Entry) { e.Kind = 0 }}
				}
				link := regular("link", 4)
				link.length, link.chunks = 1<<32, 1<<32
				v := f.volumeOf(members(f.t, other(1<<32-1), regular("link0", 4), other(math.MaxUint64-1<<32+1), link))
				contents := endless(f.slab(bean), 0)
				v.Contents = &contents
				f.capture(nil, v)
				f.tables()
			},
			bomb:    true,
			refused: append([]string{"members", "restore members", "restore some members"}, allRestores...),
		},
		"a content that is longer, or shorter, than its entry says": {
			make: func(f *forge) {
				f.capture(nil, f.volumeOf(members(f.t, regular("link", 4)), []byte("beans")))
				f.capture(nil, f.volumeOf(members(f.t, regular("link", 4)), []byte("pea")))
				f.tables()
			},
			refused: append([]string{"open member", "restore members", "restore some members"}, allRestores...),
		},
		"sizes that do not add up": {
			make: func(f *forge) {
				for _, change := range []func(*format.Volume){
					func(v *format.Volume) { v.Length++ }, func(v *format.Volume) { v.Length = math.MaxUint64 },
					func(v *format.Volume) { v.Contents.Bytes = math.MaxUint64 }, func(v *format.Volume) { v.Contents.Bytes = 3 },
					func(v *format.Volume) { v.Contents.Chunks = math.MaxUint64 }, func(v *format.Volume) { v.MemberList.Bytes = 1 },
					func(v *format.Volume) { v.MemberList.Chunks = 0 }, func(v *format.Volume) { v.Contents = nil },
					func(v *format.Volume) { v.Members = math.MaxUint64 }, func(v *format.Volume) { v.SHA256 = make([]byte, 32) },
				} {
					v := f.volumeOf(members(f.t, regular("catalogue", 4)), bean)
					change(&v)
					f.capture(nil, v)
				}
				f.tables()
			},
			refused: allRestores,
		},
		"cuts that overlap and lie outside": {
			make: func(f *forge) {
				for _, cuts := range [][]format.Cut{
					{{Offset: 0, Length: 20}, {Offset: 10, Length: 20}},
					{{Offset: math.MaxUint32, Length: 1}},
					{{Offset: 0, Length: math.MaxUint32}, {Offset: 1, Length: math.MaxUint32}},
					{{Offset: 0, Length: format.MaxMemberHead}},
					{{Offset: 1, Length: 7, Sum: true}},
					{{Offset: 512, Length: 156, Sum: true}},
				} {
					m := regular("catalogue", 4)
					m.cuts = cuts
					v := f.volumeOf(members(f.t, m), bean)
					stamps := f.stored(format.PackZeros(nil, make([]byte, 3<<20)))
					v.Stamps = &stamps
					f.capture(nil, v)
				}
				f.tables()
			},
			refused: allRestores,
		},
		"packed zeros that expand hugely": {
			make: func(f *forge) {
				m := regular("catalogue", 4)
				m.change = func(e *format.Entry) { e.Header = bytes.Repeat([]byte{0, 255}, 1<<19) }
				f.capture(nil, f.volumeOf(members(f.t, m), bean))
				f.tables()
			},
			refused: allRestores,
		},
		"items of absurd lengths in streams": {
			make: func(f *forge) {
				for _, list := range [][]byte{
					{0x85, 0x01, 0x5b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff},
					{0x9b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff},
					bytes.Repeat([]byte{0x81}, 1<<20), bytes.Repeat([]byte{0xa0}, 1<<20),
					append([]byte{0x9a, 0, 0x0f, 0xff, 0xff}, bytes.Repeat([]byte{0xa0}, 1<<20)...),
				} {
					f.capture(nil, format.Volume{Tar: true, MemberList: f.stored(list)})
					v := f.volumeOf(members(f.t, regular("catalogue", 4)))
					r := f.stored(list)
					r.Level = 1
					v.Contents = &r
					f.capture(nil, v)
				}
				f.tables()
			},
			refused: allRestores,
		},
		"index files that are no records": {
			make: func(f *forge) {
				for _, b := range [][]byte{
					{}, {0xff}, []byte("kist"), bytes.Repeat([]byte{0x81}, 1<<20), {0x9b, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff},
					{0xa1, 0x20, 0x00}, {0xa1, 0x18, 0x63, 0x00},
				} {
					f.indexFile(f.captureID(), b)
				}
			},
			refused: []string{"captures"},
		},
		"times beyond the calendar": {
			make: func(f *forge) {
				for _, at := range []time.Time{{}, time.Date(9999, 12, 31, 23, 59, 59, 999, time.UTC), time.Date(0, 1, 1, 0, 0, 0, 0, time.UTC)} {
					f.capture(func(i *format.IndexFile) { i.Taken, i.Written = at, at }, f.volumeOf(members(f.t, regular("catalogue", 4)), bean))
				}
				f.tables()
			},
			works: []string{"captures", "restore", "usage"},
		},
		"odd names": {
			make: func(f *forge) {
				f.capture(nil, f.volumeOf(members(f.t, regular("catalogue", 4)), bean))
				f.tables()
				for _, name := range []string{
					"captures/20260314t0203z-k7f3.0", "captures/20260314t0203z-k7f3.99999999999999999999", "captures/x", "captures/a/b",
					"slabs/00/000000000000000000000000.part", "slabs/x", "slabs/f0/f0", "tables/x", "tables/a/b", "keyslots/x.json", "keyslots/00",
					"other", "holds/x", "leases/20260314t0203z-k7f3",
				} {
					f.put(name, []byte("nothing"))
				}
			},
			works: []string{"find", "restore"},
		},
		"one slab under the name of another, and a capture as well": {
			make: func(f *forge) {
				f.capture(nil, f.volumeOf(members(f.t, regular("catalogue", 4)), bean))
				all := objects(f.t, f.mem)
				for name, b := range all {
					switch {
					case strings.HasPrefix(name, "slabs/"):
						id := f.newSlabID()
						f.put(names.Slab(id), b)
					case strings.HasPrefix(name, "captures/"):
						f.put(names.Capture(f.captureID(), 0), b)
						f.put(name+".7", b)
					}
				}
			},
			refused: []string{"captures"},
		},
	})
}

// TestHostileFrames: frames that are not what tables say.
func TestHostileFrames(t *testing.T) {
	capture := func(f *forge, frame forgedFrame) {
		id := f.forgeSlab(forgedSlab{frames: []forgedFrame{frame}})
		v := f.volumeOf(members(f.t, regular("catalogue", 4)))
		r := f.recipe(id, 0, bean)
		v.Contents = &r
		f.capture(nil, v)
	}
	cases := make(map[string]hostile)
	for name, frame := range map[string]func(*forge) forgedFrame{
		"of 1 GiB in some kilobytes": func(f *forge) forgedFrame {
			return forgedFrame{lengths: []uint32{4}, packed: zstdBomb(1<<30, true)}
		},
		"of 1 GiB that do not say so": func(f *forge) forgedFrame {
			return forgedFrame{lengths: []uint32{4}, packed: zstdBomb(1<<30, false)}
		},
		"of as much as may be, for 4 bytes": func(f *forge) forgedFrame {
			return forgedFrame{lengths: []uint32{4}, packed: zstdBomb(format.MaxFrameRaw, false)}
		},
		"that claim all memory": func(f *forge) forgedFrame {
			// Magic, single segment with a content size of 8 bytes, and no block.
			return forgedFrame{lengths: []uint32{4}, packed: binary.LittleEndian.AppendUint64([]byte{0x28, 0xb5, 0x2f, 0xfd, 0xe0}, 1<<62)}
		},
		"with a window of all memory": func(f *forge) forgedFrame {
			return forgedFrame{lengths: []uint32{4}, packed: []byte{0x28, 0xb5, 0x2f, 0xfd, 0x00, 0xff, 0x01, 0x00, 0x00}}
		},
		"many in one": func(f *forge) forgedFrame {
			return forgedFrame{lengths: []uint32{4}, packed: bytes.Repeat(f.zstd.EncodeAll(bean, nil), 10_000)}
		},
		"of nothing": func(f *forge) forgedFrame { return forgedFrame{lengths: []uint32{4}, packed: []byte{}} },
		"of skippable parts": func(f *forge) forgedFrame {
			return forgedFrame{lengths: []uint32{4}, packed: []byte{0x50, 0x2a, 0x4d, 0x18, 0xff, 0xff, 0xff, 0xff}}
		},
		"longer than claimed": func(f *forge) forgedFrame {
			return forgedFrame{lengths: []uint32{4}, packed: f.zstd.EncodeAll([]byte("beans"), nil)}
		},
		"shorter than claimed": func(f *forge) forgedFrame {
			return forgedFrame{lengths: []uint32{4}, packed: f.zstd.EncodeAll([]byte("bea"), nil)}
		},
		"of a kind to come":       func(f *forge) forgedFrame { return forgedFrame{chunks: [][]byte{bean}, kind: 2} },
		"sealed longer than said": func(f *forge) forgedFrame { return forgedFrame{chunks: [][]byte{bean}, sealed: 1} },
		"of another content":      func(f *forge) forgedFrame { return forgedFrame{chunks: [][]byte{[]byte("pean")}} },
	} {
		cases["frames "+name] = hostile{
			make: func(f *forge) {
				capture(f, frame(f))
				f.tables()
			},
			refused: append([]string{"open member"}, allRestores...),
		}
	}
	cases["frames of another content"] = hostile{make: cases["frames of another content"].make, refused: allRestores}
	runHostile(t, cases)
}

// zstdBomb gives a Zstandard frame (RFC 8878, section 3.1.1) of n zeros in blocks
// that repeat one byte, with or without its content's size.
func zstdBomb(n int, sized bool) []byte {
	b := []byte{0x28, 0xb5, 0x2f, 0xfd}
	if sized {
		b = binary.LittleEndian.AppendUint64(append(b, 0xc0, 0x50), uint64(n))
	} else {
		b = append(b, 0x00, 0x50)
	}
	const block = 1 << 17
	for n > 0 {
		size := min(n, block)
		n -= size
		head := uint32(size)<<3 | 1<<1 // RLE
		if n == 0 {
			head |= 1
		}
		b = append(b, byte(head), byte(head>>8), byte(head>>16), 0)
	}
	return b
}

// TestHostileBombs: captures of exabytes, from some kilobytes.
func TestHostileBombs(t *testing.T) {
	encode := func(runs ...format.Run) (b []byte) {
		encoder := format.NewRunEncoder()
		for _, r := range runs {
			b = append(b, encoder.Encode(r)...)
		}
		return b
	}
	// doubling gives a recipe of level 6 each of whose streams of runs names the
	// one below it over and over.
	doubling := func(f *forge, at format.Recipe) format.Recipe {
		at.Chunks, at.Bytes = 1<<62, 1<<62
		for range format.MaxRecipeLevel {
			var runs []format.Run
			for range 1000 {
				runs = append(runs, at.Runs...)
			}
			inner := f.stored(encode(runs...))
			at.Level++
			at.Runs = inner.Runs
		}
		return at
	}
	// itself gives a recipe of level 6 whose runs name a stream that names itself.
	itself := func(f *forge) format.Recipe {
		id := f.newSlabID()
		run := format.Run{Slab: id, First: 0, Count: 1, Times: 1}
		chunk := encode(run, run, run, run, run, run, run, run)
		f.forgeSlab(forgedSlab{id: &id, frames: []forgedFrame{{chunks: [][]byte{chunk}}}})
		return format.Recipe{Level: format.MaxRecipeLevel, Runs: []format.Run{run}, Chunks: 1 << 62, Bytes: 1 << 62}
	}
	list := func(f *forge, all ...forgedMember) []byte { // without an end marker
		b := members(f.t, all...)
		n := len(members(f.t))
		if len(all) > 0 && all[len(all)-1].length%512 != 0 {
			n++ // the padding's own pair
		}
		return b[:len(b)-n]
	}
	huge := func(f *forge, chunks uint64) format.Volume {
		m := forgedMember{header: &tar.Header{Name: "link", Mode: 0o644, Size: 1 << 40}, length: 1 << 61, chunks: chunks}
		v := f.volumeOf(members(f.t, m))
		v.Length, v.Name, v.Source = 1<<62, "data", priorSource
		e := format.NewStateEncoder()
		states := f.stored(slices.Concat(e.Begin(), e.Encode(format.State{}), e.Extent(&format.Extent{Length: 1 << 61, Chunks: chunks})))
		v.States = &states
		return v
	}
	contents := func(r format.Recipe) func(*forge, *format.Volume) {
		return func(_ *forge, v *format.Volume) { v.Contents = &r }
	}
	cases := make(map[string]hostile)
	for name, change := range map[string]func(*forge, *format.Volume){
		"contents of one chunk without end": func(f *forge, v *format.Volume) {
			contents(endless(f.slab(bean), 0))(f, v)
		},
		"contents of one large chunk without end": func(f *forge, v *format.Volume) {
			contents(endless(f.slab(make([]byte, format.MaxChunk)), 0))(f, v)
		},
		"contents that double at each level": func(f *forge, v *format.Volume) {
			contents(doubling(f, f.recipe(f.slab(bean), 0, bean)))(f, v)
		},
		"contents that double, of chunks without end": func(f *forge, v *format.Volume) {
			contents(doubling(f, endless(f.slab(bean), 0)))(f, v)
		},
		"contents whose runs name themselves": func(f *forge, v *format.Volume) { contents(itself(f))(f, v) },
		"contents whose runs are one run without end": func(f *forge, v *format.Volume) {
			r := endless(f.slab(encode(f.recipe(f.slab(bean), 0, bean).Runs...)), 0)
			r.Level = 1
			contents(r)(f, v)
		},
		"contents that alternate without end": func(f *forge, v *format.Volume) {
			id := f.slab(bean, []byte("pea"))
			a, b := format.Run{Slab: id, First: 1, Count: 1, Times: 1}, format.Run{Slab: id, First: 0, Count: 1, Times: 1}
			r := endless(f.slab(encode(a, b)), 0)
			r.Level = 1
			contents(r)(f, v)
		},
		"contents in a frame that can't be read, without end": func(f *forge, v *format.Volume) {
			id := f.forgeSlab(forgedSlab{frames: []forgedFrame{{lengths: []uint32{4, 4}, packed: []byte{1}}, {chunks: [][]byte{bean}}}})
			r := endless(f.slab(encode(format.Run{Slab: id, First: 1, Count: 2, Times: 1})), 0)
			r.Level = 1
			contents(r)(f, v)
		},
		"members without end": func(f *forge, v *format.Volume) {
			v.MemberList = endless(f.slab(list(f, regular("a", 0))), 0)
		},
		"hard links without end": func(f *forge, v *format.Volume) {
			link := forgedMember{header: &tar.Header{Name: "link", Linkname: "catalogue", Typeflag: tar.TypeLink}}
			v.MemberList = endless(f.slab(list(f, link)), 0)
		},
		"members of contents without end": func(f *forge, v *format.Volume) {
			v.MemberList = endless(f.slab(list(f, regular("catalogue", 512))), 0)
			contents(endless(f.slab(make([]byte, 512)), 0))(f, v)
		},
		"stamps without end": func(f *forge, v *format.Volume) {
			stamps := endless(f.slab(bytes.Repeat([]byte{0, 255}, 1<<19)), 0)
			v.Stamps = &stamps
		},
		"states without end": func(f *forge, v *format.Volume) {
			states := endless(f.slab(format.NewStateEncoder().Encode(format.State{Inode: 1})), 0)
			v.States = &states
		},
		"member lists whose runs name themselves": func(f *forge, v *format.Volume) { v.MemberList = itself(f) },
	} {
		cases[name] = hostile{bomb: true, make: func(f *forge) {
			v := huge(f, 1<<60)
			change(f, &v)
			f.capture(nil, v)
			f.tables()
		}}
	}
	cases["a file of contents without end as the prior one"] = hostile{bomb: true, make: func(f *forge) {
		v := huge(f, 4)
		first := forgedMember{header: &tar.Header{Name: "./", Typeflag: tar.TypeDir, Mode: 0o700}}
		bomb := forgedMember{header: &tar.Header{Name: "./catalogue", Mode: 0o600, Size: 5}, length: 1 << 61, chunks: 1 << 60}
		v.MemberList = f.stored(members(f.t, first, bomb))
		e := format.NewStateEncoder()
		states := f.stored(slices.Concat(e.Begin(), e.Encode(format.State{}), e.Extent(&format.Extent{}),
			e.Encode(format.State{}), e.Extent(&format.Extent{Length: 1 << 61, Chunks: 1 << 60})))
		r := endless(f.slab(bean), 0)
		v.States, v.Contents = &states, &r
		f.capture(nil, v)
		f.tables()
	}}
	cases["sparse files of 8 EiB"] = hostile{bomb: true, make: func(f *forge) {
		for i, realsize := range []string{"9223372036854775807", "9223372036854775296", "1099511627776"} {
			h := headerBytes(f.t, &tar.Header{Name: "GNUSparseFile.0/link", Size: 512, Mode: 0o600, PAXRecords: map[string]string{"comment": strings.Repeat("x", 200)}})
			records := paxRecord("GNU.sparse.major", "1") + paxRecord("GNU.sparse.minor", "0") + paxRecord("GNU.sparse.name", fmt.Sprintf("link%d", i)) + paxRecord("GNU.sparse.realsize", realsize)
			records += paxRecord("comment", strings.Repeat("x", 512-len(records)-len("xxx comment=\n")))
			h = append(paxHead(f.t, len(records)), append([]byte(records), h[len(h)-512:]...)...)
			content := make([]byte, 512)
			copy(content, "1\n"+realsize+"\n0\n")
			m := forgedMember{head: h, length: 512, chunks: 1}
			hard := forgedMember{header: &tar.Header{Name: "linkhard", Linkname: fmt.Sprintf("link%d", i), Typeflag: tar.TypeLink}}
			f.capture(nil, f.volumeOf(members(f.t, m, hard), content))
		}
		f.tables()
	}}
	runHostile(t, cases)
}

// paxRecord gives a record of an extended header (POSIX pax).
func paxRecord(key, value string) string {
	n := len(key) + len(value) + 3
	for len(fmt.Sprint(n))+len(key)+len(value)+3 != n {
		n++
	}
	return fmt.Sprintf("%d %s=%s\n", n, key, value)
}

// paxHead gives the header block of an extended header of n bytes.
func paxHead(t testing.TB, n int) []byte {
	b := headerBytes(t, &tar.Header{Name: "PaxHeaders.0/x", Mode: 0o644, Size: int64(n), Format: tar.FormatUSTAR})
	b[156] = 'x'
	return sumBlock(b)
}

// sumBlock fills in the checksum of a header block.
func sumBlock(b []byte) []byte {
	copy(b[148:156], "        ")
	sum := 0
	for _, c := range b[:512] {
		sum += int(c)
	}
	copy(b[148:156], fmt.Sprintf("%06o\x00 ", sum))
	return b
}

// TestHostileMembers: members that want out of the target, or too much.
func TestHostileMembers(t *testing.T) {
	head := func(typeflag byte, name, link string) forgedMember {
		return forgedMember{header: &tar.Header{Name: name, Linkname: link, Typeflag: typeflag, Mode: 0o777}}
	}
	cases := make(map[string]hostile)
	for name, all := range map[string][]forgedMember{
		"above":              {regular("../canary", 4)},
		"far above":          {regular("a/../../canary", 4)},
		"absolute":           {regular("/canary", 4), regular("//canary", 4)},
		"windows":            {regular(`..\canary`, 4), regular(`C:\canary`, 4), regular("C:canary", 4), regular(`\\server\share\canary`, 4), regular("NUL", 4), regular("a:stream", 4)},
		"through a symlink":  {head(tar.TypeSymlink, "out", ".."), regular("out/canary", 4)},
		"an absolute link":   {head(tar.TypeSymlink, "out", "/"), regular("out/tmp/kist-hostile", 4)},
		"through two":        {head(tar.TypeSymlink, "a", "."), head(tar.TypeSymlink, "a/b", ".."), regular("b/canary", 4)},
		"onto a symlink":     {head(tar.TypeSymlink, "out", "../canary"), regular("out", 4)},
		"a hard link out":    {head(tar.TypeLink, "link", "../canary"), regular("link", 4)},
		"a link to a link":   {head(tar.TypeSymlink, "s", "../canary"), head(tar.TypeLink, "link", "s"), regular("link", 4)},
		"a link to itself":   {head(tar.TypeLink, "link", "link"), head(tar.TypeSymlink, "sym", "sym"), regular("sym/x", 4)},
		"devices":            {{header: &tar.Header{Name: "disk", Typeflag: tar.TypeBlock, Devmajor: 8}}, {header: &tar.Header{Name: "mem", Typeflag: tar.TypeChar, Devmajor: 1, Devminor: 1}}},
		"a fifo":             {head(tar.TypeFifo, "fifo", ""), regular("fifo", 4)},
		"no name":            {forgedMember{head: sumBlock(append([]byte{0}, headerBytes(t, &tar.Header{Name: "n", Format: tar.FormatUSTAR})[1:]...))}, regular(".", 4), regular("..", 4), regular("./.", 4)},
		"folders as files":   {regular("a", 4), regular("a/b", 4), head(tar.TypeDir, "a", ""), regular("a/b", 4)},
		"the target itself":  {regular(".", 4), head(tar.TypeSymlink, ".", ".."), head(tar.TypeSymlink, "./", ".."), regular("canary", 4)},
		"duplicates":         {regular("a", 4), regular("a", 4), head(tar.TypeDir, "a", ""), head(tar.TypeSymlink, "a", ".."), regular("a/canary", 4)},
		"deep":               {regular(strings.Repeat("d/", 50_000)+"x", 4)},
		"a long name":        {regular(strings.Repeat("n", 500_000), 4)},
		"control characters": {regular("a\x1b[2J\n\r\x07\x9b0m", 4), head(tar.TypeSymlink, "s\x1b", "\x1b]0;x\x07")},
		"a huge pax header":  {{header: &tar.Header{Name: "a", Size: 4, PAXRecords: map[string]string{"SCHILY.xattr.user.x": strings.Repeat("x", 1<<20-3000)}}, length: 4, chunks: 1}},
		"many attributes":    {{header: &tar.Header{Name: "a", Size: 4, PAXRecords: manyRecords(20_000)}, length: 4, chunks: 1}},
		"attributes of root": {{header: &tar.Header{Name: "a", Size: 4, Mode: 0o6777, PAXRecords: map[string]string{"SCHILY.xattr.security.capability": "\x01\x00\x00\x02\xff\xff\xff\xff"}}, length: 4, chunks: 1}},
		"times far off":      {{header: &tar.Header{Name: "a", Size: 4, ModTime: time.Unix(1<<62, 0)}, length: 4, chunks: 1}, {header: &tar.Header{Name: "b", ModTime: time.Unix(-1<<40, 0)}}},
		"owners far off":     {{header: &tar.Header{Name: "a", Size: 4, Uid: 1 << 50, Gid: -5}, length: 4, chunks: 1}},
		"sizes that lie":     {{header: &tar.Header{Name: "a", Size: 1 << 50}, length: 4, chunks: 1}, {header: &tar.Header{Name: "b", Size: 0}, length: 4, chunks: 1}},
		"no headers":         {{head: make([]byte, 512), length: 4, chunks: 1}, {head: bytes.Repeat([]byte{0xff}, 1024)}},
	} {
		cases["members: "+name] = hostile{make: func(f *forge) {
			var contents [][]byte
			for _, m := range all {
				if m.chunks > 0 {
					contents = append(contents, bean)
				}
			}
			f.capture(nil, f.volumeOf(members(f.t, all...), contents...))
			f.tables()
		}}
	}
	runHostile(t, cases)
}

func manyRecords(n int) map[string]string {
	records := make(map[string]string)
	for i := range n {
		records[fmt.Sprintf("SCHILY.xattr.user.%d", i)] = "x"
	}
	return records
}

// TestHostileSizes: records that take much more memory than they have bytes.
func TestHostileSizes(t *testing.T) {
	runHostile(t, map[string]hostile{
		"volumes with warnings of 15 MiB": {make: func(f *forge) {
			var volumes []format.Volume
			for i := range 200 {
				volumes = append(volumes, format.Volume{Name: fmt.Sprintf("v\x1b[2J%d", i), Warnings: []string{strings.Repeat("\x1b", 75<<10)}, MemberList: f.recipe(format.SlabID{}, 0)})
			}
			f.capture(func(i *format.IndexFile) { i.Labels = map[string]string{"\x1b": "\x1b"} }, volumes...)
		}, works: []string{"captures", "find", "verify"}},
		"a table of empty maps for frames": {make: func(f *forge) {
			for range 4 {
				f.table(mapsUnder(3, 1<<18))
			}
		}},
		"slabs of very many frames": {make: func(f *forge) {
			frame := forgedFrame{lengths: []uint32{1}, packed: []byte{}}
			var frames []forgedFrame
			for range 5_000 {
				frames = append(frames, frame)
			}
			id := f.forgeSlab(forgedSlab{frames: frames})
			v := f.volumeOf(members(f.t, regular("catalogue", 4)))
			for range 48 {
				if v.Contents == nil {
					v.Contents = &format.Recipe{Chunks: 48 * 5_000, Bytes: 48 * 5_000}
				}
				v.Contents.Runs = append(v.Contents.Runs, format.Run{Slab: id, First: 0, Count: 5_000, Times: 1})
			}
			for range 3 {
				f.capture(nil, v)
			}
		}},
	})
}

// mapsUnder gives a map with one field: an array of n empty maps.
func mapsUnder(key uint64, n int) []byte {
	b := append([]byte{0xa1}, must(cbor.Marshal(key))...)
	return append(arrayHead(b, n), bytes.Repeat([]byte{0xa0}, n)...)
}

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

// arrayHead appends the head of an array (RFC 8949, section 3.1), the shortest.
func arrayHead(b []byte, n int) []byte {
	head := must(cbor.Marshal(n))
	head[0] |= 0x80
	return append(b, head...)
}

// TestHostileManifests: variants of kist.json and of key slots.
func TestHostileManifests(t *testing.T) {
	f := newForge(t)
	f.capture(nil, f.volumeOf(members(t, regular("catalogue", 4)), bean))
	honest := objects(t, f.mem)
	var slot string
	for name := range honest {
		if strings.HasPrefix(name, "keyslots/") {
			slot = name
		}
	}
	manifest := string(honest[names.Manifest])
	fitting := []error{store.ErrDamaged, store.ErrDamagedSlot, store.ErrUnknownFormat, store.ErrNoRepository, crypt.ErrNoSlot, crypt.ErrUnknownSlotVersion, crypt.ErrForeignSlot}
	for what, b := range map[string]string{
		"empty": "", "an array": "[]", "nothing": "null", "deep": strings.Repeat("[", 60_000), "too long": manifest + strings.Repeat(" ", 64<<10),
		"of version 2": strings.Replace(manifest, `"kist_format": 1`, `"kist_format": 2`, 1), "of version 1e300": `{"kist_format": 1e300}`,
		"of version -1": `{"kist_format": -1}`, "resealed with other chunks": string(f.manifest(3)), "with huge chunks": string(f.manifest(1 << 30)),
		"twice": manifest + manifest, "another id": strings.Replace(manifest, f.id.String(), strings.Repeat("0", 32), 1),
		"another time": strings.Replace(manifest, "2026-", "0026-", 1), "a second seal": strings.Replace(manifest, "{", `{"seal": "00",`, 1),
	} {
		altered := clone(honest)
		altered[names.Manifest] = []byte(b)
		openHostile(t, "kist.json "+what, altered, f.key, what == "twice" || what == "a second seal", fitting)
	}
	for what, change := range map[string]func(string) string{
		"empty": func(string) string { return "" }, "deep": func(string) string { return strings.Repeat(`{"a":`, 10_000) },
		"too long": func(s string) string { return s + strings.Repeat(" ", 64<<10) },
		"with a huge cost": func(s string) string {
			return strings.Replace(s, "{", `{"argon2id":{"memory_kib":4294967295,"passes":4294967295,"lanes":255},`, 1)
		},
		"of numbers": func(s string) string { return strings.Replace(s, "{", `{"x": 123456789012345678901234567890,`, 1) },
	} {
		altered := clone(honest)
		altered[slot] = []byte(change(string(honest[slot])))
		openHostile(t, "key slot "+what, altered, f.key, false, fitting)
	}
}

func openHostile(t *testing.T, what string, altered map[string][]byte, key crypt.Secret, may bool, fitting []error) {
	t.Helper()
	r, err := store.Open(t.Context(), memoryOf(t, altered), key, store.OpenOptions{})
	if err == nil {
		defer r.Close()
		if !may {
			t.Errorf("%s: opened", what)
		}
		return
	}
	for _, e := range fitting {
		if errors.Is(err, e) {
			return
		}
	}
	t.Errorf("%s: %v", what, err)
}

// runHostile runs all reading paths over every scenario.
func runHostile(t *testing.T, cases map[string]hostile) {
	if testing.Short() {
		t.Skip("takes minutes under the race detector, where FuzzRepository reads such things")
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			f := newForge(t)
			c.make(f)
			outcomes := f.readAll(t, func(path string) time.Duration {
				if c.bomb && !slices.Contains(c.works, path) { // what works has an end, however busy the machine is
					return bombTime
				}
				return hangTime
			})
			for _, path := range c.works {
				if err := outcomes[path]; err != nil {
					t.Errorf("%s: %v", path, err)
				}
			}
			for _, path := range c.refused {
				if outcomes[path] == nil {
					t.Errorf("%s: no error", path)
				}
			}
		})
	}
}
