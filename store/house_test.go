package store_test

import (
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// The house: rooms are below those that they stand on, and each imports no room but those
// that come before it. DEVELOPERS.md draws it.
var rooms = []string{"vault", "ledger", "lease", "stock", "weave"}

// What the rooms are built of knows nothing of them.
var foundations = []string{"fetch", "format", "intake", "known", "names", "protocol", "remember"}

const internalPath = "github.com/kistarchive/kist/store/internal/"

// TestHouse holds the order of the rooms, and that each says what it is.
func TestHouse(t *testing.T) {
	entries, err := os.ReadDir("internal")
	if err != nil {
		t.Fatal(err)
	}
	for _, entry := range entries {
		name := entry.Name()
		room := slices.Index(rooms, name)
		if room < 0 && !slices.Contains(foundations, name) {
			t.Errorf("internal/%s is neither a room nor a foundation: say where it stands", name)
		}
		above := rooms[:max(room, 0)]
		for file, imports := range importsOf(t, filepath.Join("internal", name)) {
			for _, path := range imports {
				below, inside := strings.CutPrefix(path, internalPath)
				if inside && slices.Contains(rooms, below) && !slices.Contains(above, below) && below != name {
					t.Errorf("%s imports the room %s, which does not stand above %s", file, below, name)
				}
			}
		}
		if _, err := os.Stat(filepath.Join("internal", name, "doc.go")); room >= 0 && err != nil {
			t.Errorf("the room %s does not say what it may know: %v", name, err)
		}
	}
	for _, name := range slices.Concat(rooms, foundations) {
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
