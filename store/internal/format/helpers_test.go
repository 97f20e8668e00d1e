package format

import (
	"errors"
	"testing"
	"time"

	"github.com/fxamacker/cbor/v2"
	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
)

// record is a kind of record, for tests that hold for all of them.
type record struct {
	name   string
	sample []byte                       // a valid one
	again  func([]byte) ([]byte, error) // decodes and encodes
	flat   bool                         // a mark: no maps within it
}

func records() []record {
	return []record{
		{"index file", EncodeIndexFile(sampleIndexFile()), againIndexFile, false},
		{"slab table", sampleSlabTable().Encode(), againSlabTable, false},
		{"slab record", sampleSlabRecord().Encode(), againSlabRecord, false},
		{"hold", encode(&MarkRecord{Made: sampleTime, Host: "hazel", Reason: "the last of 4.1"}), againMark[MarkRecord], true},
		{"lease", encode(&LeaseRecord{Began: sampleTime, Host: "hazel", Work: WorkCapture, About: "seedbank"}), againMark[LeaseRecord], true},
		{"batch", encode(&BatchRecord{Made: sampleTime, Slabs: []SlabID{{1}, {2}}, Captures: []string{"20260314t0203z-k7f3"}, Harmed: []HarmedSlab{{Slab: SlabID{3}, Frames: []uint32{1}}}, Hashes: []crypt.Digest{{7}}}), againMark[BatchRecord], true},
		{"rehearsal", encode(sampleRehearsal()), againMark[RehearsalRecord], true},
		{"verification", encode(sampleVerification()), againMark[VerificationRecord], true},
		{"place", encode(&PlaceRecord{Made: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), Host: "hazel"}), againMark[PlaceRecord], true},
		{"elsewhere", encode(sampleElsewhere()), againMark[ElsewhereRecord], true},
	}
}

func sampleVerification() *VerificationRecord {
	return &VerificationRecord{
		Ended: sampleTime, Host: "hazel", Extent: ExtentSample, Share: 50_000, Captures: 7, Damaged: 2, Took: 61_250, Read: 1 << 40, Some: true,
	}
}

func sampleRehearsal() *RehearsalRecord {
	return &RehearsalRecord{
		Ended: sampleTime, Host: "hazel", Took: 61_250, Outcome: OutcomeDown, Fault: "it ended with exit status 1",
		Checked: []string{"445 members", "service seedbank"},
	}
}

var sampleTime = time.Date(2026, 3, 14, 2, 3, 0, 5e8, time.UTC)

func againMark[R Record](b []byte) ([]byte, error) {
	record, err := decodeMark[R](b)
	if err != nil {
		return nil, err
	}
	return encode(record), nil
}

func againIndexFile(b []byte) ([]byte, error) {
	f, err := DecodeIndexFile(b)
	if err != nil {
		return nil, err
	}
	return EncodeIndexFile(f), nil
}

func againSlabTable(b []byte) ([]byte, error) {
	t, err := DecodeSlabTable(b)
	if err != nil {
		return nil, err
	}
	return t.Encode(), nil
}

func againSlabRecord(b []byte) ([]byte, error) {
	r, err := DecodeSlabRecord(b)
	if err != nil {
		return nil, err
	}
	return r.Encode(), nil
}

func sampleIndexFile() *IndexFile {
	taken := time.Date(2026, 3, 14, 2, 3, 0, 5e8, time.UTC)
	runs := []Run{{Slab: SlabID{1}, First: 7, Count: 3, Times: 1}, {Slab: SlabID{2}, First: 0, Count: 1, Times: 9}}
	return &IndexFile{
		ID: "20260314t0203z-k7f3", Written: taken.Add(time.Hour), Taken: taken,
		Name: "seedbank", Version: "4.2", Note: "before the upgrade", Host: "hazel",
		Labels: map[string]string{"shelf": "north"},
		Volumes: []Volume{{
			Name: "data", MountPath: "/var/lib/seedbank", Source: "seedbank.tar.gz", Compression: "gzip", Tar: true,
			Members: 12, Length: 70000, SHA256: make([]byte, 32), Unfinished: "cut short",
			MemberList: Recipe{Level: 1, Runs: runs[:1], Chunks: 3, Bytes: 600},
			Contents:   &Recipe{Runs: runs, Chunks: 12, Bytes: 65536},
		}},
		Added: 1 << 40, Previous: &Previous{ID: "20260214t0203z-9x2c", Hash: crypt.Digest{5}},
	}
}

func sampleSlabTable() *SlabTable {
	return &SlabTable{Frames: []Frame{
		{Kind: Zstd, Sealed: 100, Chunks: []uint32{1, MaxChunk}},
		{Kind: Zstd, Sealed: MaxFrameSealed, Chunks: []uint32{MaxChunk, MaxChunk}},
	}}
}

func sampleSlabRecord() *SlabRecord {
	return &SlabRecord{Slab: SlabID{3, 14}, Length: 5000, Frames: []TableFrame{
		{Kind: Zstd, Sealed: 100, Chunks: []uint32{1, 2}, IDs: make([]byte, 32)},
		{Kind: Zstd, Sealed: 300, Chunks: []uint32{70000}, IDs: make([]byte, 16)},
		{Kind: Delta, Sealed: 80, Chunks: []uint32{65536}, IDs: make([]byte, 16), Standing: Standing{Depth: 1, Copies: 20, Bases: []Base{{Slab: SlabID{3, 14}, First: 2, Count: 1}, {Slab: SlabID{2}, First: 7, Count: 3}}}},
	}}
}

// generic gives a record as maps and arrays, so that a test can change it.
func generic(t testing.TB, b []byte) map[any]any {
	t.Helper()
	var v map[any]any
	if err := cbor.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// deterministic encodes anything as RFC 8949, section 4.2.1, says.
func deterministic(t testing.TB, v any) []byte {
	t.Helper()
	mode, err := cbor.CoreDetEncOptions().EncMode()
	if err != nil {
		t.Fatal(err)
	}
	b, err := mode.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// wantOnly tests that err is of the class want, with what that implies, and of no
// other; nil is a class.
func wantOnly(t *testing.T, what string, err, want error) {
	t.Helper()
	if want == nil && err != nil {
		t.Errorf("%s: %v", what, err)
	}
	for _, class := range []error{ErrDamaged, ErrUnknownVersion, ErrUnknownPart} {
		if errors.Is(err, class) != errors.Is(want, class) {
			t.Errorf("%s: got error %v, want %v", what, err, want)
		}
	}
}

// appendRuns appends the encodings of runs to dst.
func appendRuns(dst []byte, runs ...Run) []byte {
	enc := NewRunEncoder()
	for _, r := range runs {
		dst = append(dst, enc.Encode(r)...)
	}
	return dst
}

// testObject gives the seal of an object with a key of its own.
func testObject(t testing.TB, kind ObjectKind) (*crypt.Sealer, *crypt.Opener) {
	t.Helper()
	var repo crypt.RepositoryID
	keys, err := crypt.NewRootKey().Derive(repo)
	if err != nil {
		t.Fatal(err)
	}
	name := crypt.ObjectName{Repository: repo, Kind: kind.String(), Name: "x"}
	sealer, wrapping, wrapped, err := keys.NewSealer(name)
	if err != nil {
		t.Fatal(err)
	}
	opener, err := keys.NewOpener(name, wrapping, wrapped)
	if err != nil {
		t.Fatal(err)
	}
	return sealer, opener
}

// Generators of valid records.

func genBytes(n int) *rapid.Generator[[]byte] { return rapid.SliceOfN(rapid.Byte(), n, n) }

func genSlabID() *rapid.Generator[SlabID] {
	return rapid.Custom(func(t *rapid.T) SlabID { return SlabID(genBytes(12).Draw(t, "slab")) })
}

func genRun() *rapid.Generator[Run] {
	return rapid.Custom(func(t *rapid.T) Run {
		r := Run{Slab: genSlabID().Draw(t, "slab"), Count: 1, Times: rapid.Uint32Min(1).Draw(t, "times")}
		if r.Times == 1 {
			r.Count = rapid.Uint32Range(1, MaxSlabChunks).Draw(t, "count")
		}
		r.First = rapid.Uint32Range(0, MaxSlabChunks-r.Count).Draw(t, "first")
		return r
	})
}

func genRecipe() *rapid.Generator[Recipe] {
	return rapid.Custom(func(t *rapid.T) Recipe {
		r := Recipe{
			Level:  rapid.Uint32Range(0, MaxRecipeLevel).Draw(t, "level"),
			Runs:   rapid.SliceOfN(genRun(), 0, 4).Draw(t, "runs"),
			Chunks: rapid.Uint64().Draw(t, "chunks"),
			Bytes:  rapid.Uint64().Draw(t, "bytes"),
			Digest: crypt.Digest(genBytes(32).Draw(t, "digest")),
		}
		if len(r.Runs) == 0 {
			r.Runs = nil
		}
		return r
	})
}

func genTime() *rapid.Generator[time.Time] {
	return rapid.Custom(func(t *rapid.T) time.Time {
		return time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "s"), rapid.Int64Range(0, 1e9-1).Draw(t, "ns")).UTC()
	})
}

func genVolume() *rapid.Generator[Volume] {
	return rapid.Custom(func(t *rapid.T) Volume {
		v := Volume{
			Name: rapid.String().Draw(t, "name"), MountPath: rapid.String().Draw(t, "path"),
			Source: rapid.String().Draw(t, "source"), Tar: rapid.Bool().Draw(t, "tar"),
			Compression: rapid.SampledFrom([]string{"", "gzip", "zstd", "xz"}).Draw(t, "compression"),
			Members:     rapid.Uint64().Draw(t, "members"), Length: rapid.Uint64().Draw(t, "length"),
			Unfinished: rapid.String().Draw(t, "unfinished"), MemberList: genRecipe().Draw(t, "list"),
		}
		if rapid.Bool().Draw(t, "summed") {
			v.SHA256 = genBytes(32).Draw(t, "sum")
		}
		if rapid.Bool().Draw(t, "contents") {
			r := genRecipe().Draw(t, "contents recipe")
			v.Contents = &r
		}
		return v
	})
}

func genIndexFile() *rapid.Generator[*IndexFile] {
	return rapid.Custom(func(t *rapid.T) *IndexFile {
		f := &IndexFile{
			ID: rapid.String().Draw(t, "id"), Written: genTime().Draw(t, "written"), Taken: genTime().Draw(t, "taken"),
			Name: rapid.String().Draw(t, "name"), Version: rapid.String().Draw(t, "version"),
			Note: rapid.String().Draw(t, "note"), Host: rapid.String().Draw(t, "host"),
			Labels:  rapid.MapOfN(rapid.String(), rapid.String(), 0, 3).Draw(t, "labels"),
			Volumes: rapid.SliceOfN(genVolume(), 1, 3).Draw(t, "volumes"),
			Added:   rapid.Uint64().Draw(t, "added"),
		}
		if len(f.Labels) == 0 {
			f.Labels = nil
		}
		if rapid.Bool().Draw(t, "has a previous one") {
			f.Previous = &Previous{ID: rapid.String().Draw(t, "previous"), Hash: crypt.Digest(genBytes(32).Draw(t, "hash"))}
		}
		return f
	})
}

func genFrame() *rapid.Generator[Frame] {
	return rapid.Custom(func(t *rapid.T) Frame {
		f := Frame{
			Kind:   FrameKind(rapid.Byte().Draw(t, "kind")),
			Sealed: rapid.Uint32Range(1, MaxFrameSealed).Draw(t, "sealed"),
			Chunks: rapid.SliceOfN(rapid.Uint32Range(1, MaxFrameRaw/8), 1, 8).Draw(t, "chunks"),
		}
		if f.Kind == Delta || f.Kind > Delta && rapid.Bool().Draw(t, "stands") {
			f.Sealed = max(f.Sealed, 18)
			f.Depth, f.Copies = rapid.Uint32Range(1, MaxDepth).Draw(t, "depth"), rapid.Uint32Range(1, f.Sealed-16).Draw(t, "copies")
			f.Bases = rapid.SliceOfN(genBase(), 1, MaxBases).Draw(t, "bases")
			for i := MaxBaseFrames; i < len(f.Bases); i++ { // in no more slabs than frames
				f.Bases[i].Slab = f.Bases[i%MaxBaseFrames].Slab
			}
		}
		return f
	})
}

func genBase() *rapid.Generator[Base] {
	return rapid.Custom(func(t *rapid.T) Base {
		return Base{Slab: genSlabID().Draw(t, "base"), First: rapid.Uint32Range(0, 1<<19).Draw(t, "first"), Count: rapid.Uint32Range(1, MaxFrameChunks).Draw(t, "count")}
	})
}

func genSlabRecord() *rapid.Generator[*SlabRecord] {
	return rapid.Custom(func(t *rapid.T) *SlabRecord {
		r := &SlabRecord{Slab: genSlabID().Draw(t, "slab"), Length: rapid.Uint64().Draw(t, "length")}
		for _, f := range rapid.SliceOfN(genFrame(), 1, 4).Draw(t, "frames") {
			ids := genBytes(16*len(f.Chunks)).Draw(t, "ids")
			listed := f.Listed()
			listed.IDs = ids
			r.Frames = append(r.Frames, listed)
		}
		return r
	})
}

func genEntry() *rapid.Generator[Entry] {
	return rapid.Custom(func(t *rapid.T) Entry {
		e := Entry{
			Kind:   rapid.Uint32Range(0, maxEntryKind).Draw(t, "kind"),
			Header: rapid.SliceOfN(rapid.Byte(), 0, 600).Draw(t, "header"),
			Length: rapid.Uint64().Draw(t, "length"),
		}
		if e.Length > 0 {
			e.Chunks = rapid.Uint64Range(1, e.Length).Draw(t, "chunks")
		}
		return e
	})
}
