package store_test

import (
	"archive/tar"
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// forge makes repositories as somebody makes them who holds the key and means
// harm: everything is sealed as it should be, and says whatever it is to say.
type forge struct {
	t       testing.TB
	mem     *storage.Memory
	key     *crypt.KeyFile
	root    *crypt.RootKey
	id      crypt.RepositoryID
	keys    *crypt.Keys
	hasher  *crypt.Hasher
	zstd    *zstd.Encoder
	records []format.SlabRecord // of the slabs made so far
	count   int
}

// forgeEncoder serves all: making one costs more than a small repository.
var forgeEncoder = sync.OnceValue(func() *zstd.Encoder {
	e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(1<<20))
	if err != nil {
		panic(err) // the options are constant
	}
	return e
})

func newForge(t testing.TB) *forge {
	f := &forge{t: t, mem: storage.NewMemory(), key: crypt.NewKeyFile(), root: crypt.NewRootKey(), id: crypt.NewRepositoryID()}
	var err error
	if f.keys, err = f.root.Derive(f.id); err != nil {
		t.Fatal(err)
	}
	f.hasher = f.keys.NewHasher()
	f.zstd = forgeEncoder()
	slot, err := crypt.NewSlot(f.root, f.id, f.key, crypt.SlotOptions{})
	if err != nil {
		t.Fatal(err)
	}
	document, err := slot.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	f.put(names.KeySlot(string(slot.ID())), document)
	f.put(names.Manifest, f.manifest(8192))
	return f
}

// manifest gives kist.json, rightly sealed.
func (f *forge) manifest(average int) []byte {
	made := "2026-11-25T08:54:48Z"
	mac := f.keys.ManifestMAC(fmt.Appendf(nil, "kist format 1\nid %s\nmade %s\nchunk average %d\n", f.id, made, average))
	b, err := json.MarshalIndent(struct {
		Format  int    `json:"kist_format"`
		ID      string `json:"id"`
		Made    string `json:"made"`
		Average int    `json:"chunk_average"`
		Seal    string `json:"seal"`
	}{1, f.id.String(), made, average, hex.EncodeToString(mac[:])}, "", "  ")
	if err != nil {
		f.t.Fatal(err)
	}
	return append(b, '\n')
}

func (f *forge) put(name string, b []byte) {
	f.t.Helper()
	if err := f.mem.Put(context.Background(), name, bytes.NewReader(b)); err != nil {
		f.t.Fatal(err)
	}
}

// forgedFrame is a frame. What is left out is as it should be.
type forgedFrame struct {
	chunks  [][]byte
	lengths []uint32         // that the slab's table claims
	packed  []byte           // in place of the chunks compressed
	kind    format.FrameKind // format.Zstd by default
	sealed  uint32           // length that the slab's table claims
	stands  format.Standing
}

// forgedSlab is a slab.
type forgedSlab struct {
	frames   []forgedFrame
	record   func(*format.SlabRecord) // changes what a table object says
	sections []byte                   // in place of the slab's table
	table    []byte                   // in place of its record
	trailer  *format.Trailer
	id       *format.SlabID
}

// slab puts a slab of one frame.
func (f *forge) slab(chunks ...[]byte) format.SlabID {
	return f.forgeSlab(forgedSlab{frames: []forgedFrame{{chunks: chunks}}})
}

func (f *forge) newSlabID() format.SlabID {
	f.count++
	return format.SlabID{0xf0, byte(f.count >> 16), byte(f.count >> 8), byte(f.count)}
}

func (f *forge) object(kind format.ObjectKind, name string) ([]byte, *crypt.Sealer) {
	f.t.Helper()
	s, wrapping, wrapped, err := f.keys.NewSealer(crypt.ObjectName{Repository: f.id, Kind: kind.String(), Name: name})
	if err != nil {
		f.t.Fatal(err)
	}
	return format.AppendHeader(nil, format.Header{Kind: kind, Wrapping: wrapping, Wrapped: wrapped}), s
}

func (f *forge) forgeSlab(s forgedSlab) format.SlabID {
	f.t.Helper()
	id := f.newSlabID()
	if s.id != nil {
		id = *s.id
	}
	b, sealer := f.object(format.Slab, id.String())
	rec := format.SlabRecord{Slab: id}
	for i, frame := range s.frames {
		b = f.appendFrame(b, sealer, i, frame, &rec)
	}
	at := len(b)
	sections := s.sections
	if sections == nil {
		plain := s.table
		if plain == nil {
			plain = slabTable(rec).Encode()
		}
		sections = format.AppendSectionHead(nil, format.TableSection, true, len(plain)+crypt.Overhead)
		sections = sealer.Seal(sections, plain, crypt.Piece{Kind: crypt.PieceSection, Number: uint64(format.TableSection)})
	}
	b = append(b, sections...)
	trailer := format.Trailer{Sections: uint64(at), Length: uint64(len(b) + format.TrailerSize)}
	if s.trailer != nil {
		trailer = *s.trailer
	}
	b = format.AppendTrailer(b, trailer, sealer)
	f.put(names.Slab(id), b)
	rec.Length = uint64(len(b))
	if s.record != nil {
		s.record(&rec)
	}
	f.records = append(f.records, rec)
	return id
}

func slabTable(rec format.SlabRecord) *format.SlabTable {
	t := &format.SlabTable{}
	for i := range rec.Frames {
		t.Frames = append(t.Frames, rec.Frames[i].Frame())
	}
	return t
}

func (f *forge) appendFrame(b []byte, sealer *crypt.Sealer, number int, frame forgedFrame, rec *format.SlabRecord) []byte {
	raw := bytes.Join(frame.chunks, nil)
	packed := frame.packed
	if packed == nil {
		packed = f.zstd.EncodeAll(raw, nil)
	}
	before := len(b)
	b = sealer.Seal(b, packed, crypt.Piece{Kind: crypt.PieceFrame, Number: uint64(number)})
	t := format.TableFrame{Kind: format.Zstd, Sealed: uint32(len(b) - before), Chunks: frame.lengths}
	if frame.kind != 0 {
		t.Kind = frame.kind
	}
	t.Standing = frame.stands
	if frame.sealed != 0 {
		t.Sealed = frame.sealed
	}
	if t.Chunks == nil {
		for _, c := range frame.chunks {
			t.Chunks = append(t.Chunks, uint32(len(c)))
		}
	}
	for i := range t.Chunks {
		id := crypt.Identity{byte(number), byte(i), byte(i >> 8), byte(i >> 16), 0xff}
		if i < len(frame.chunks) {
			id = f.hasher.Sum(frame.chunks[i])
		}
		t.IDs = append(t.IDs, id[:]...)
	}
	rec.Frames = append(rec.Frames, t)
	return b
}

// table puts a table object of records in their encoding.
func (f *forge) table(records ...[]byte) {
	f.t.Helper()
	name := f.captureID()
	b, sealer := f.object(format.Table, name)
	n := uint64(0)
	for _, rec := range records {
		b = format.AppendRecord(b, rec, n, sealer)
		n++
	}
	f.put(names.Table(name), format.AppendRecord(b, nil, n, sealer))
}

// tables puts a table of all slabs.
func (f *forge) tables() {
	var all [][]byte
	for i := range f.records {
		all = append(all, f.records[i].Encode())
	}
	f.table(all...)
}

func (f *forge) captureID() string {
	f.count++
	const letters = "0123456789abcdefghijklmnopqrstuvwxyz"
	n := f.count
	return "20260314t0203z-" + string([]byte{letters[n/36/36/36%36], letters[n/36/36%36], letters[n/36%36], letters[n%36]})
}

// capture puts an index file.
func (f *forge) capture(change func(*format.IndexFile), volumes ...format.Volume) {
	f.t.Helper()
	id := f.captureID()
	taken := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	file := &format.IndexFile{ID: id, Written: taken, Taken: taken, Name: "seedbank", Host: "hazel", Volumes: volumes}
	if change != nil {
		change(file)
	}
	f.indexFile(id, format.EncodeIndexFile(file))
}

// indexFile puts an index file of that record.
func (f *forge) indexFile(id string, plain []byte) {
	f.t.Helper()
	b, sealer := f.object(format.Capture, id)
	f.put(names.Capture(id, 0), sealer.Seal(b, plain, crypt.Piece{Kind: crypt.PieceRecord}))
}

// recipe gives the recipe of a stream of chunks that lie in a slab from number
// first on.
func (f *forge) recipe(slab format.SlabID, first uint32, chunks ...[]byte) format.Recipe {
	r := format.Recipe{Chunks: uint64(len(chunks))}
	digest := crypt.NewDigestHasher()
	for _, c := range chunks {
		r.Bytes += uint64(len(c))
		digest.Add(f.hasher.Sum(c), len(c))
	}
	r.Digest = digest.Sum()
	if len(chunks) > 0 {
		r.Runs = []format.Run{{Slab: slab, First: first, Count: uint32(len(chunks)), Times: 1}}
	}
	return r
}

// stored puts a slab that holds a stream, if it isn't empty, and gives its recipe.
func (f *forge) stored(stream []byte) format.Recipe {
	if len(stream) == 0 {
		return f.recipe(format.SlabID{}, 0)
	}
	var chunks [][]byte
	for rest := stream; len(rest) > 0; {
		n := min(len(rest), format.MaxChunk)
		chunks = append(chunks, rest[:n])
		rest = rest[n:]
	}
	return f.recipe(f.slab(chunks...), 0, chunks...)
}

// endless gives a recipe of level 0 that names a chunk 48 times 2^32-1 times.
func endless(slab format.SlabID, chunk uint32) format.Recipe {
	r := format.Recipe{Chunks: 1 << 62, Bytes: 1 << 63}
	for range format.MaxInlineRuns {
		r.Runs = append(r.Runs, format.Run{Slab: slab, First: chunk, Count: 1, Times: 1<<32 - 1})
	}
	return r
}

// members gives a member list of archive/tar headers, each with its content's
// length and its number of chunks, and an end marker.
func members(t testing.TB, all ...forgedMember) []byte {
	t.Helper()
	var list []byte
	encoder := format.NewEntryEncoder()
	before := uint64(0)
	for _, m := range all {
		head := m.head
		if head == nil {
			head = headerBytes(t, m.header)
		}
		e := format.Entry{Kind: 1, Length: m.length, Chunks: m.chunks, Cuts: m.cuts}
		e.Header = format.PackZeros(nil, append(make([]byte, -before&511), head...))
		if m.change != nil {
			m.change(&e)
		}
		list = append(list, encoder.Encode(e)...)
		before = m.length
	}
	end := format.Entry{Header: format.PackZeros(nil, make([]byte, -before&511+1024))}
	return append(list, encoder.Encode(end)...)
}

// forgedMember is an entry of a member list.
type forgedMember struct {
	header *tar.Header
	head   []byte // in place of header
	length uint64 // of the content
	chunks uint64
	cuts   []format.Cut
	change func(*format.Entry)
}

// headerBytes gives the blocks of a header, with a checksum that fits.
func headerBytes(t testing.TB, h *tar.Header) []byte {
	t.Helper()
	if h.ModTime.IsZero() {
		h.ModTime = time.Unix(1700000000, 0)
	}
	if h.Format == tar.FormatUnknown {
		h.Format = tar.FormatPAX
	}
	var buf bytes.Buffer
	if err := tar.NewWriter(&buf).WriteHeader(h); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// regular gives a member that is a file of one chunk.
func regular(name string, n int) forgedMember {
	m := forgedMember{header: &tar.Header{Name: name, Mode: 0o644, Size: int64(n)}, length: uint64(n)}
	if n > 0 {
		m.chunks = 1
	}
	return m
}

// volumeOf gives a volume of a tar stream with that member list, and contents.
func (f *forge) volumeOf(list []byte, contents ...[]byte) format.Volume {
	v := format.Volume{Name: "data", Tar: true, MemberList: f.stored(list)}
	reader := format.NewEntryReader(bytes.NewReader(list))
	for {
		e, err := reader.Next()
		if err != nil {
			break
		}
		v.Length += uint64(format.UnpackedLength(e.Header)+e.StampsLength()) + e.Length
		if e.Kind == 1 {
			v.Members++
		}
	}
	if len(contents) > 0 {
		r := f.recipe(f.slab(contents...), 0, contents...)
		v.Contents = &r
	}
	return v
}
