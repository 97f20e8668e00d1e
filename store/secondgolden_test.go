package store_test

import (
	"archive/tar"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"go/parser"
	"go/token"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/klauspost/compress/zstd"
)

// TestSecondReader reads the golden repositories with a reader written from
// FORMAT.md, by both key slots and with two decoders of RFC 8878.
func TestSecondReader(t *testing.T) {
	oneByOne(t)
	for _, golden := range goldens {
		t.Run(path.Base(golden.dir), func(t *testing.T) { testSecondReader(t, golden.dir) })
	}
}

func testSecondReader(t *testing.T, dir string) {
	key := secondGoldenFile(t, dir, "key")
	for _, test := range []struct {
		name, kind string
		secret     []byte
		unzip      func(*testing.T) func([]byte) ([]byte, error)
	}{
		{"by passphrase", "passphrase", []byte("a bean is a bean"), zstdPackage},
		{"by key file", "key-file", key, zstdPackage},
		{"with the zstd program", "key-file", key, zstdProgram},
	} {
		t.Run(test.name, func(t *testing.T) {
			r, err := openSecond(os.DirFS(dir+"/repository"), test.kind, test.secret, test.unzip(t))
			if err != nil {
				t.Fatal(err)
			}
			levels, err := checkSecond(r, wantedSecond(t, dir))
			if err != nil {
				t.Error(err)
			}
			if err := checkSecondMarks(r, dir); err != nil {
				t.Error(err)
			}
			if err := checkSecondSpares(r, path.Base(dir) == "format1-parity"); err != nil {
				t.Error(err)
			}
			if path.Base(dir) == "format1-deltas" && r.deltas == 0 {
				t.Error("no frame stands on another one")
			}
			if !levels[0] || !levels[1] {
				t.Errorf("the golden repository has recipes of the levels %v; 0 and 1 belong in it", levels)
			}
		})
	}
}

// secondGolden is the folder of the golden repository that FORMAT.md works through.
const secondGolden = "../testdata/format1"

func secondGoldenFile(t *testing.T, dir, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(dir + "/" + name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// secondWanted is a capture as expected.json has it.
type secondWanted struct {
	ID     string   `json:"id"`
	SHA256 []string `json:"sha256"` // of the volumes' streams
	Paths  []string `json:"paths"`  // of the first volume's members

	Amended   *secondGiven `json:"amended"`
	Rehearsed string       `json:"rehearsed"` // the outcome that counts
}

// secondGiven is what an amended capture gives.
type secondGiven struct {
	Version string            `json:"version"`
	Note    string            `json:"note"`
	Taken   string            `json:"taken"`
	Labels  map[string]string `json:"labels"`
	First   []string          `json:"first"` // version, note and time as first recorded
}

// secondMarksOf are the kinds of marks that are in golden repositories.
var secondMarksOf = map[string][]string{
	"format1-proofs":  {"hold", "hold .released", "retired .undone", "batch .gone"},
	"format1-amended": {"hold", "hold .released", "retired .undone", "batch .gone", "batch .harmed", "rehearsal", "lease"},
	"format1-replica": {"place", "elsewhere"},
	"format1-parity":  {"settings"},
	"format1-several": {"bundle", "retirement", "retired .undone"},
	"format1-deltas":  {"settings"},
}

// checkSecondMarks reads all marks, and holds what was amended and rehearsed against what is expected.
func checkSecondMarks(r *secondReader, dir string) error {
	marks, err := r.marks()
	if err != nil {
		return err
	}
	for _, kind := range secondMarksOf[path.Base(dir)] {
		if len(marks[kind]) == 0 {
			return fmt.Errorf("no mark of the kind %s: there are %v", kind, marks)
		}
	}
	text, err := os.ReadFile(dir + "/expected.json")
	if err != nil {
		return err
	}
	var want []secondWanted
	if err := json.Unmarshal(text, &want); err != nil {
		return err
	}
	names, err := r.staying()
	if err != nil || len(names) != len(want) {
		return fmt.Errorf("%d index files for %d captures: %w", len(names), len(want), err)
	}
	for i, name := range names {
		x, _, err := r.index(name)
		if err != nil {
			return err
		}
		if got := givenSecond(x); !reflect.DeepEqual(got, want[i].Amended) {
			return fmt.Errorf("%s: %+v is amended, and %+v expected", name, got, want[i].Amended)
		}
		if got := rehearsedSecond(r, marks["rehearsal"], x.ID); got != want[i].Rehearsed {
			return fmt.Errorf("%s: rehearsed %q, and %q expected", name, got, want[i].Rehearsed)
		}
	}
	return nil
}

// givenSecond gives what an index file says in the place of what was first recorded.
func givenSecond(x *secondIndex) *secondGiven {
	a := x.Amended
	if a == nil {
		return nil
	}
	g := &secondGiven{x.Version, x.Note, x.Taken, x.Labels, []string{x.Version, x.Note, x.Taken}}
	if a.Version != nil {
		g.Version = *a.Version
	}
	if a.Note != nil {
		g.Note = *a.Note
	}
	if a.Taken != nil {
		g.Taken = *a.Taken
	}
	if a.Labels != nil {
		g.Labels = *a.Labels
	}
	return g
}

// rehearsedSecond gives the outcome of the latest rehearsal of a capture, or "".
func rehearsedSecond(r *secondReader, marks []string, id string) string {
	var latest secondRehearsal
	for _, name := range marks { // sorted
		var one secondRehearsal
		if strings.HasPrefix(path.Base(name), id+".") && r.mark("rehearsal", name, &one) == nil && one.Ended >= latest.Ended {
			latest = one
		}
	}
	return latest.Outcome
}

func wantedSecond(t *testing.T, dir string) (want []secondWanted) {
	t.Helper()
	if err := json.Unmarshal(secondGoldenFile(t, dir, "expected.json"), &want); err != nil || len(want) == 0 {
		t.Fatalf("%d captures are expected: %v", len(want), err)
	}
	return want
}

// checkSecond reads every object of the repository, and every stream. It gives
// the levels of the recipes.
func checkSecond(r *secondReader, want []secondWanted) (levels map[uint64]bool, err error) {
	if err := checkSecondTables(r); err != nil {
		return nil, err
	}
	names, err := r.staying()
	if err != nil || len(names) != len(want) {
		return nil, fmt.Errorf("%d index files for %d captures: %w", len(names), len(want), err)
	}
	levels = map[uint64]bool{}
	for i, name := range names {
		x, _, err := r.index(name)
		if err != nil {
			return nil, err
		}
		if err := checkSecondCapture(r, x, want[i], levels); err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
	}
	return levels, nil
}

// checkSecondTables holds every table object against the slabs.
func checkSecondTables(r *secondReader) error {
	names, err := r.list("tables")
	if err != nil {
		return err
	}
	listed := map[string]bool{}
	for _, name := range names {
		records, err := r.table(name)
		if err != nil {
			return err
		}
		for i := range records {
			if err := r.checkTable(&records[i]); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
			listed[hex.EncodeToString(records[i].Slab)] = true
		}
	}
	slabs, err := r.list("slabs/*")
	if err != nil || len(slabs) != len(listed) || len(slabs) == 0 {
		return fmt.Errorf("%d slabs, %d in tables: %w", len(slabs), len(listed), err)
	}
	return nil
}

// checkSecondCapture rebuilds every stream of a capture.
func checkSecondCapture(r *secondReader, x *secondIndex, want secondWanted, levels map[uint64]bool) error {
	if x.ID != want.ID || len(x.Volumes) != len(want.SHA256) {
		return fmt.Errorf("capture %s of %d volumes", x.ID, len(x.Volumes))
	}
	for i := range x.Volumes {
		v := &x.Volumes[i]
		levels[v.List.Level] = true
		if v.Contents != nil {
			levels[v.Contents.Level] = true
		}
		stream, err := r.rebuild(v)
		if err != nil {
			return fmt.Errorf("volume %s: %w", v.Name, err)
		}
		sum := sha256.Sum256(stream)
		if hex.EncodeToString(sum[:]) != want.SHA256[i] || v.SHA256 != nil && !bytes.Equal(sum[:], v.SHA256) {
			return fmt.Errorf("volume %s: SHA-256 %x", v.Name, sum)
		}
		states, _, err := r.states(v)
		if err != nil {
			return fmt.Errorf("volume %s: %w", v.Name, err)
		}
		if (v.SHA256 == nil) != (states != nil) {
			return fmt.Errorf("volume %s: %d states, SHA-256 %x", v.Name, len(states), v.SHA256)
		}
		if err := r.checkVolumeCuts(v); err != nil {
			return fmt.Errorf("volume %s: %w", v.Name, err)
		}
		if err := r.checkOrder(v); err != nil {
			return fmt.Errorf("volume %s: order: %w", v.Name, err)
		}
		if i > 0 || !v.Tar {
			continue
		}
		if paths, err := tarPaths(stream); err != nil || !slices.Equal(paths, want.Paths) {
			return fmt.Errorf("volume %s: paths %q: %w", v.Name, paths, err)
		}
	}
	return nil
}

func tarPaths(stream []byte) (paths []string, err error) {
	for r := tar.NewReader(bytes.NewReader(stream)); ; {
		h, err := r.Next()
		if errors.Is(err, io.EOF) {
			return paths, nil
		}
		if err != nil {
			return nil, err
		}
		paths = append(paths, h.Name)
	}
}

// TestSecondReaderRefuses flips one bit in each byte of the sealed objects: the
// format leaves none unguarded.
func TestSecondReaderRefuses(t *testing.T) {
	whole := wholeFolder(t, secondGolden+"/repository")
	r, err := openSecond(whole, "key-file", secondGoldenFile(t, secondGolden, "key"), zstdPackage(t))
	if err != nil {
		t.Fatal(err)
	}
	read := map[string]func(name string) error{
		"slabs":    func(name string) error { clear(r.slabs); _, err := r.slab(path.Base(name)); return err },
		"tables":   func(name string) error { _, err := r.table(name); return err },
		"captures": func(name string) error { _, _, err := r.index(name); return err },
	}
	for name, file := range whole {
		folder, _, _ := strings.Cut(name, "/")
		if read[folder] == nil {
			continue // text: white space may change
		}
		if err := read[folder](name); err != nil {
			t.Fatal(err)
		}
		for i := range file.Data {
			file.Data[i] ^= 1 << (i % 8)
			if read[folder](name) == nil {
				t.Errorf("%s with another byte %d is read without an error", name, i)
			}
			file.Data[i] ^= 1 << (i % 8)
		}
	}
}

// TestSecondReaderUnpacks unpacks bytes as section 9 has it, and refuses what
// that section calls damaged.
func TestSecondReaderUnpacks(t *testing.T) {
	zeros := func(n int) string { return strings.Repeat("\x00", n) }
	for _, test := range []struct {
		name, packed string
		n            uint64 // what is asked for
		plain, rest  string
		damaged      bool
	}{
		{name: "nothing"},
		{name: "no zeros", packed: "bean", n: 4, plain: "bean"},
		{name: "one zero", packed: "\x00\x00", n: 1, plain: zeros(1)},
		{name: "a run in one pair", packed: "a\x00\xffb", n: 258, plain: "a" + zeros(256) + "b"},
		{name: "a run in two pairs", packed: "\x00\xff\x00\x00b", n: 258, plain: zeros(257) + "b"},
		{name: "two whole pairs", packed: "\x00\xff\x00\xff", n: 512, plain: zeros(512)},
		{name: "two runs", packed: "\x00\x01b\x00\x01", n: 5, plain: zeros(2) + "b" + zeros(2)},
		{name: "the next entry begins with a pair", packed: "a\x00\x01\x00\x01", n: 3, plain: "a" + zeros(2), rest: "\x00\x01"},
		{name: "a short pair before a pair", packed: "\x00\x01\x00\x01", n: 4, damaged: true},
		{name: "a short pair before a whole one", packed: "\x00\x00\x00\xff", n: 257, damaged: true},
		{name: "an almost whole pair before a pair", packed: "\x00\xfe\x00\x00", n: 256, damaged: true},
		{name: "an end within a pair", packed: "a\x00", n: 2, damaged: true},
		{name: "a pair over the end", packed: "a\x00\x02", n: 3, damaged: true},
		{name: "less than is asked for", packed: "a\x00\x00", n: 3, damaged: true},
	} {
		plain, rest, err := unpack([]byte(test.packed), test.n)
		if string(plain) != test.plain || string(rest) != test.rest || (err != nil) != test.damaged {
			t.Errorf("%s: %q, %q left, %v", test.name, plain, rest, err)
		}
		if n := unpackedLength([]byte(test.packed)); !test.damaged && test.rest == "" && n != test.n {
			t.Errorf("%s: %d bytes are counted", test.name, n)
		}
	}
}

// TestSecondReaderLimitsHeaders gives entries that are as long as they may be,
// and a byte longer.
func TestSecondReaderLimitsHeaders(t *testing.T) {
	full := bytes.Repeat([]byte{0, 255}, secondMaxHeader/256)
	cut := []secondCut{{Offset: 0, Length: 256}}
	for _, test := range []struct {
		name   string
		entry  secondEntry
		stamps []byte
		length int
	}{
		{"header", secondEntry{Header: full}, nil, secondMaxHeader},
		{"longer header", secondEntry{Header: append(slices.Clone(full), 'a')}, nil, 0},
		{"header ending within a pair", secondEntry{Header: []byte{'a', 0}}, nil, 0},
		{"header and stamps", secondEntry{Header: full[2:], Cuts: cut}, []byte{0, 255}, secondMaxHeader},
		{"longer header and stamps", secondEntry{Header: full, Cuts: cut}, []byte{0, 255}, 0},
		{"missing stamps", secondEntry{Header: full[2:], Cuts: cut}, []byte{0, 254}, 0},
		{"a pair over the end of the stamps", secondEntry{Header: full[2:], Cuts: cut}, []byte{'a', 0, 255}, 0},
	} {
		whole, _, err := test.entry.wholeHeader(test.stamps)
		if len(whole) != test.length || (err == nil) != (test.length > 0) {
			t.Errorf("%s: %d bytes, %v", test.name, len(whole), err)
		}
	}
}

func wholeFolder(t *testing.T, dir string) fstest.MapFS {
	t.Helper()
	whole := fstest.MapFS{}
	err := fs.WalkDir(os.DirFS(dir), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := os.ReadFile(filepath.Join(dir, name))
		whole[name] = &fstest.MapFile{Data: b}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return whole
}

func zstdPackage(t *testing.T) func([]byte) ([]byte, error) {
	d, err := zstd.NewReader(nil, zstd.WithDecoderMaxMemory(8<<20))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(d.Close)
	return func(b []byte) ([]byte, error) { return d.DecodeAll(b, nil) }
}

// zstdProgram decodes with the reference implementation of RFC 8878.
func zstdProgram(t *testing.T) func([]byte) ([]byte, error) {
	path, err := exec.LookPath("zstd")
	if err != nil && os.Getenv("KIST_TEST_REQUIRE") == "all" {
		t.Fatal(err)
	} else if err != nil {
		t.Skip(err)
	}
	return func(b []byte) ([]byte, error) {
		c := exec.CommandContext(t.Context(), path, "--decompress", "--stdout", "--quiet", "--memory=8MB")
		c.Stdin = bytes.NewReader(b)
		return c.Output()
	}
}

// TestSecondReaderStandsAlone sees to it that the second reader has no code of
// this module: it would follow its mistakes.
func TestSecondReaderStandsAlone(t *testing.T) {
	for _, name := range []string{"secondreader_test.go", "secondslot_test.go", "secondslabs_test.go", "secondstreams_test.go", "secondcuts_test.go", "secondhistory_test.go", "secondorder_test.go", "secondmarks_test.go", "secondparity_test.go", "secondseveral_test.go"} {
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		for _, i := range f.Imports {
			if strings.Contains(i.Path.Value, "kistarchive") {
				t.Errorf("%s imports %s", name, i.Path.Value)
			}
		}
	}
}
