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
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/klauspost/compress/zstd"
)

// TestSecondReader reads the golden repository with a reader written from
// FORMAT.md, by both key slots and with two decoders of RFC 8878.
func TestSecondReader(t *testing.T) {
	key := secondGoldenFile(t, "key")
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
			r, err := openSecond(os.DirFS(secondGolden+"/repository"), test.kind, test.secret, test.unzip(t))
			if err != nil {
				t.Fatal(err)
			}
			levels, err := checkSecond(r, wantedSecond(t))
			if err != nil {
				t.Error(err)
			}
			if !levels[0] || !levels[1] {
				t.Errorf("the golden repository has recipes of the levels %v; 0 and 1 belong in it", levels)
			}
		})
	}
}

// secondGolden is the golden repository's folder.
const secondGolden = "../testdata/format1"

func secondGoldenFile(t *testing.T, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(secondGolden + "/" + name)
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
}

func wantedSecond(t *testing.T) (want []secondWanted) {
	t.Helper()
	if err := json.Unmarshal(secondGoldenFile(t, "expected.json"), &want); err != nil || len(want) == 0 {
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
	names, err := r.list("captures")
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
		states, err := r.states(v)
		if err != nil {
			return fmt.Errorf("volume %s: %w", v.Name, err)
		}
		if (v.SHA256 == nil) != (states != nil) {
			return fmt.Errorf("volume %s: %d states, SHA-256 %x", v.Name, len(states), v.SHA256)
		}
		if err := r.checkVolumeCuts(v); err != nil {
			return fmt.Errorf("volume %s: %w", v.Name, err)
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
	r, err := openSecond(whole, "key-file", secondGoldenFile(t, "key"), zstdPackage(t))
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
	for _, name := range []string{"secondreader_test.go", "secondslabs_test.go", "secondstreams_test.go", "secondcuts_test.go"} {
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
