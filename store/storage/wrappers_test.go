package storage_test

import (
	"context"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// powers are the optional interfaces.
type powers interface {
	storage.Clock
	storage.Anchored
	storage.Lenient
	storage.Sweeper
	storage.Namer
	storage.AfterLister
	storage.FrontReader
	storage.Dropper
	storage.Parallel
	storage.Retainer
}

// wrappers are all types of the tree that have a storage.Storage inside and may pass for
// one, and what becomes of its optional powers.
var wrappers = map[string]string{
	"storagetest.Faulty":   "passes all on: TestFaultyPassesPowersOn",
	"storagetest.Requests": "has the powers that save an object store requests, and no others: TestRequests",
	"storagetest.model":    "is given to nobody: it calls the storage itself",
	"limit.Storage":        "passes all on: TestPassesPowersOn of package limit",
	"stock.keeping":        "is given to intake, which asks for no power: TestNoPowerIsAskedForInside",
	"vault.builder":        "has none: what a repository begins with is put through it, and it is given to nobody who opens one",

	"storage_test.bare":        "has none, on purpose",
	"objects_test.byTurns":     "has none: a race of marks goes by it",
	"store_test.powerless":     "has none, on purpose",
	"store_test.withoutSpares": "has none: a capture and a key slot are put through it, over which nothing is swept or named",
	"store_test.naming":        "has none: what is sent through it asks for none that it could not do without",
	"store.taken":              "has none: an amendment is put through it, over which nothing is swept or named",
	"store_test.drawn":         "has none: what is put through it asks for none that it could not do without",
	"store_test.hookedPut":     "has none: what is sent through it asks for none that it could not do without",
	"store_test.unanchored":    "refuses one, on purpose",
	"serve.harmed":             "passes none on: what it is read by asks for none",
	"store.readOnly":           "has none: replicating asks for no other power than the clock, which it goes without",
	"store_test.readOnly":      "has none; verifying asks for no other power than the clock, which it goes without",

	// in tests of packages that ask for no power
	"fetch.lingering":  "is given to fetch",
	"fetch.badSectors": "is given to fetch",
	"fetch.counting":   "is given to fetch",
	"fetch.exchanged":  "is given to fetch",
	"fetch.far":        "is given to fetch",
	"fetch.weighing":   "is given to fetch",
	"stock.refusing":   "is given to stock, which puts a slab by it",
	"stock.parallel":   "has a power of its own alone, as an object store",
	"intake.late":      "is given to intake",
	"intake.failing":   "is given to intake",
	"intake.putFunc":   "is given to intake",
	"intake.crowded":   "is given to intake",
	"intake.failsLate": "is given to intake",
}

// TestWrappersAreKnown: whoever adds a wrapper says what becomes of optional powers.
func TestWrappersAreKnown(t *testing.T) {
	found := map[string]bool{}
	eachFile(t, "../..", func(_ string, file *ast.File) {
		ast.Inspect(file, func(n ast.Node) bool {
			spec, ok := n.(*ast.TypeSpec)
			if !ok {
				return true
			}
			if s, ok := spec.Type.(*ast.StructType); ok && wraps(s) {
				found[file.Name.Name+"."+spec.Name.Name] = true
			}
			return true
		})
	})
	for _, name := range slices.Sorted(maps.Keys(found)) {
		if wrappers[name] == "" {
			t.Errorf("%s has a storage.Storage inside: does it pass on Clock, Anchored, Lenient, Sweeper, Namer, AfterLister, FrontReader, Dropper, Parallel and Retainer? Say so in wrappers", name)
		}
	}
	for name := range wrappers {
		if !found[name] {
			t.Errorf("there is no %s any more", name)
		}
	}
}

// wraps tells whether a struct embeds storage.Storage, or has it in a field "inner".
func wraps(s *ast.StructType) bool {
	return slices.ContainsFunc(s.Fields.List, func(f *ast.Field) bool {
		if !isSelector(f.Type, "storage", "Storage") {
			return false
		}
		return len(f.Names) == 0 || f.Names[0].Name == "inner"
	})
}

// TestNoPowerIsAskedForInside: what takes in and fetches is given wrappers that pass
// nothing on, so it must ask for nothing.
func TestNoPowerIsAskedForInside(t *testing.T) {
	asked := 0
	look := func(root string, asks func(at string)) {
		eachFile(t, root, func(name string, file *ast.File) {
			ast.Inspect(file, func(n ast.Node) bool {
				for _, power := range []string{"Clock", "Anchored", "Lenient", "Sweeper", "Namer", "AfterLister", "FrontReader", "Dropper", "Parallel", "Retainer"} {
					if e, ok := n.(ast.Expr); ok && isSelector(e, "storage", power) {
						asks(name + ": storage." + power)
					}
				}
				return true
			})
		})
	}
	for _, given := range []string{"../internal/intake", "../internal/fetch"} {
		look(given, func(at string) { t.Error(at) })
	}
	look("..", func(string) { asked++ })
	if asked == 0 {
		t.Error("nothing is found anywhere: the test sees nothing")
	}
}

func TestFaultyPassesPowersOn(t *testing.T) {
	folder := newFolder(t, t.TempDir())
	var s powers = storagetest.NewFaulty(folder)
	now, err := s.Now(t.Context())
	if err != nil || now.IsZero() {
		t.Errorf("now: %v, %v", now, err)
	}
	if err := s.SetAnchor("kist.json"); err != nil {
		t.Error(err)
	}
	if err := folder.CheckAnchor(t.Context()); !errors.Is(err, storage.ErrGone) {
		t.Errorf("no anchor is looked for: %v", err)
	}
	put(t, folder, "kist.json", strings.NewReader("{}"))
	s.SetOptional("holds")
	put(t, folder, "holds/one", strings.NewReader("x"))
	if _, err := s.RemoveAside(t.Context(), -1); !errors.Is(err, fs.ErrInvalid) {
		t.Errorf("remove what is aside: got %v, want what the folder says of an age below zero", err)
	}
}

// bare is a storage without powers.
type bare struct{ storage.Storage }

func TestFaultyHasNoPowersOfItsOwn(t *testing.T) {
	var s powers = storagetest.NewFaulty(bare{storage.NewMemory()})
	_, now := s.Now(context.Background())
	_, remove := s.RemoveAside(context.Background(), time.Hour)
	_, after := s.ListAfter(context.Background(), "captures", "")
	_, front := s.ReadFront(context.Background(), "kist.json", nil)
	drop := s.Drop(context.Background(), "kist.json")
	for power, err := range map[string]error{"ListAfter": after, "ReadFront": front, "Drop": drop, "Now": now, "SetAnchor": s.SetAnchor("kist.json"), "RemoveAside": remove} {
		if !errors.Is(err, errors.ErrUnsupported) {
			t.Errorf("%s: got %v, want errors.ErrUnsupported", power, err)
		}
	}
	s.SetOptional("holds")
}

func isSelector(e ast.Expr, pkg, name string) bool {
	s, ok := e.(*ast.SelectorExpr)
	if !ok || s.Sel.Name != name {
		return false
	}
	x, ok := s.X.(*ast.Ident)
	return ok && x.Name == pkg
}

// eachFile parses all Go files below a folder.
func eachFile(t *testing.T, root string, look func(name string, file *ast.File)) {
	t.Helper()
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(name) != ".go" {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.SkipObjectResolution)
		if err == nil {
			look(name, file)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}
