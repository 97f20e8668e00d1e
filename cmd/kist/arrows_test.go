package main

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

const (
	module = "github.com/kistarchive/kist/"
	rooms  = "cmd/kist/internal/"
)

// arrows say what of this module a folder's packages may import, tests apart: those
// packages and all below them. The rule of the nearest folder counts.
var arrows = map[string][]string{
	"chunk":          {"chunk"},
	"crypt":          {"crypt"},
	"store":          {"store", "chunk", "crypt"},
	"store/internal": {"store/internal", "store/storage", "store/volume", "chunk", "crypt"},
	"store/rotation": {},
	"store/storage":  {"store/storage"},
	"store/volume":   {"chunk"},
	"bench":          {"store", "chunk", "crypt"},

	"cmd/kist/engine":     {},
	rooms + "screen":      {},
	rooms + "browsertest": {},
	rooms + "cmdline":     {rooms + "screen"},
	rooms + "config":      {rooms + "screen", rooms + "cmdline", rooms + "files", rooms + "sources", rooms + "where"},
	rooms + "completion":  {},
	rooms + "manual":      {},
	rooms + "containers":  {rooms + "screen", rooms + "stopped", rooms + "cmdline", "cmd/kist/engine", "store"},
	rooms + "demo":        {rooms + "screen", rooms + "trees", "store/volume"},
	rooms + "drawer":      {rooms + "cmdline", "chunk/tarstream"},
	rooms + "files":       {rooms + "screen"},
	rooms + "kept":        {rooms + "files", rooms + "paths", "store/volume", "store/storage/cache"},
	rooms + "members":     {rooms + "screen", "store", "chunk/tarstream"},
	rooms + "mounts":      {rooms + "files"},
	rooms + "notes":       {rooms + "files", "store/storage/cache"},
	rooms + "page":        {rooms + "screen", "store"},
	rooms + "paths":       {},
	rooms + "sources":     {rooms + "screen", rooms + "paths", rooms + "cmdline", "store", "store/volume"},
	rooms + "places":      {},
	rooms + "programs":    {},
	rooms + "pattern":     {rooms + "cmdline", "store"},
	rooms + "guessing":    {},
	rooms + "secrets":     {rooms + "screen", rooms + "files", rooms + "cmdline", rooms + "guessing", "crypt"},
	rooms + "spool":       {rooms + "files", "store"},
	rooms + "stopped":     {rooms + "screen", rooms + "files", rooms + "notes", rooms + "programs", "cmd/kist/engine"},
	rooms + "textdiff":    {},
	rooms + "trees":       {},
	rooms + "upgrade":     {rooms + "screen", rooms + "files", rooms + "notes", rooms + "paths", rooms + "programs", rooms + "watch", "cmd/kist/engine", "store/volume"},
	rooms + "watch":       {rooms + "programs", "cmd/kist/engine"},
	rooms + "rehearse":    {rooms + "screen", rooms + "files", rooms + "notes", rooms + "watch", "cmd/kist/engine"},
	rooms + "serve":       {rooms + "screen", rooms + "members", rooms + "page", rooms + "pattern", rooms + "textdiff", rooms + "cmdline", "store", "chunk/tarstream"},
	rooms + "units":       {rooms + "screen", rooms + "cmdline"},
	rooms + "where":       {rooms + "mounts", rooms + "paths", rooms + "screen", "store/storage"},
	rooms + "worker":      {},
	rooms + "metrics":     {rooms + "screen", rooms + "files"},
	"cmd/kist":            {"cmd/kist/engine", "cmd/kist/internal", "store", "chunk", "crypt"},
	"cmd/kist/internal":   nil, // none: each room has a rule of its own
}

// TestArrows: packages know of each other only what the drawing in DEVELOPERS.md allows.
func TestArrows(t *testing.T) {
	folders, imports := moduleImports(t)
	if len(imports) < 50 {
		t.Fatalf("only %d imports were found: the test sees too little", len(imports))
	}
	for _, folder := range folders {
		if ruleOf(folder) == nil {
			t.Errorf("%s: say in arrows what it may import", folder)
		}
	}
	for _, i := range imports {
		switch {
		case i.test && (i.to == i.from || !allowed(i.to, []string{"cmd"})): // tests compare and play other sides
		case !allowed(i.to, ruleOf(i.from)):
			t.Errorf("%s imports %s", i.file, i.to)
		}
	}
}

// TestRoomsSayWhatTheyKnow: each room has a doc.go.
func TestRoomsSayWhatTheyKnow(t *testing.T) {
	folders, _ := moduleImports(t)
	n := 0
	for _, folder := range folders {
		if !strings.HasPrefix(folder, rooms) {
			continue
		}
		n++
		file, err := parser.ParseFile(token.NewFileSet(), filepath.Join("../..", folder, "doc.go"), nil, parser.ParseComments|parser.PackageClauseOnly)
		if err != nil || file.Doc == nil || !strings.Contains(file.Doc.Text(), "It knows") {
			t.Errorf("%s: doc.go does not say what it knows: %v", folder, err)
		}
	}
	if n == 0 {
		t.Error("no room is found")
	}
}

func ruleOf(folder string) []string {
	for at := folder; at != "."; at = path.Dir(at) {
		if rule, ok := arrows[at]; ok {
			return rule
		}
	}
	return nil
}

func allowed(to string, rule []string) bool {
	for _, folder := range rule {
		if to == folder || strings.HasPrefix(to, folder+"/") {
			return true
		}
	}
	return false
}

type arrow struct {
	file, from, to string
	test           bool
}

// moduleImports gives all folders of packages, and what they import of this module, for
// all systems and tags.
func moduleImports(t *testing.T) (folders []string, imports []arrow) {
	t.Helper()
	seen := map[string]bool{}
	err := fs.WalkDir(os.DirFS("../.."), ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (d.Name() == "testdata" || len(d.Name()) > 1 && d.Name()[0] == '.') {
			return fs.SkipDir
		}
		if d.IsDir() || path.Ext(name) != ".go" {
			return nil
		}
		file, err := parser.ParseFile(token.NewFileSet(), filepath.Join("../..", name), nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		from := path.Dir(name)
		if !seen[from] {
			seen[from] = true
			folders = append(folders, from)
		}
		for _, spec := range file.Imports {
			to, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			if to, ok := strings.CutPrefix(to, module); ok {
				imports = append(imports, arrow{name, from, to, strings.HasSuffix(name, "_test.go")})
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return folders, imports
}
