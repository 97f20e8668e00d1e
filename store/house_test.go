package store_test

import (
	"go/parser"
	"go/token"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The house: rooms that all stand on, each on those before it, and rooms beside each other
// that stand on these, and on no other but what is said here. DEVELOPERS.md draws it.
var (
	foundation = []string{"vault", "ledger", "lease", "stock", "weave"}
	upper      = map[string][]string{"check": nil, "give": nil, "mend": {"check"}, "reclaim": nil, "replicate": nil, "take": nil, "weigh": nil}
)

// What the rooms are built of knows nothing of them.
var materials = []string{"delta", "fetch", "format", "intake", "known", "names", "parity", "protocol", "remember"}

// standsOn gives the rooms that a package may import.
func standsOn(name string) []string {
	if others, ok := upper[name]; ok {
		return slices.Concat(foundation, others)
	}
	return foundation[:max(slices.Index(foundation, name), 0)]
}

const internalPath = "github.com/kistarchive/kist/store/internal/"

// TestHouse holds the order of the rooms, and that each says what it is.
func TestHouse(t *testing.T) {
	entries, err := os.ReadDir("internal")
	if err != nil {
		t.Fatal(err)
	}
	rooms := slices.Concat(foundation, slices.Collect(maps.Keys(upper)))
	for _, entry := range entries {
		name := entry.Name()
		room := slices.Contains(rooms, name)
		if !room && !slices.Contains(materials, name) {
			t.Errorf("internal/%s is neither a room nor what rooms are built of: say where it stands", name)
		}
		for file, imports := range importsOf(t, filepath.Join("internal", name)) {
			for _, path := range imports {
				other, inside := strings.CutPrefix(path, internalPath)
				if inside && slices.Contains(rooms, other) && !slices.Contains(standsOn(name), other) && other != name {
					t.Errorf("%s imports the room %s, on which %s does not stand", file, other, name)
				}
			}
		}
		if _, err := os.Stat(filepath.Join("internal", name, "doc.go")); room && err != nil {
			t.Errorf("the room %s does not say what it may know: %v", name, err)
		}
	}
	for _, name := range slices.Concat(rooms, materials) {
		if !slices.ContainsFunc(entries, func(e os.DirEntry) bool { return e.Name() == name }) {
			t.Errorf("internal/%s is not there", name)
		}
	}
}

// importsOf gives what the files of a package import, its tests too.
func importsOf(t *testing.T, dir string) map[string][]string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	all := make(map[string][]string)
	for _, file := range files {
		parsed, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
		if err != nil {
			t.Fatal(err)
		}
		for _, spec := range parsed.Imports {
			path, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				t.Fatal(err)
			}
			all[file] = append(all[file], path)
		}
	}
	return all
}
