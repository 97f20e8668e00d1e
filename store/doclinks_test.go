package store_test

import (
	"go/ast"
	"go/doc"
	"go/doc/comment"
	"go/parser"
	"go/token"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// publicPackages are those whose pages people read, and by what name their links go.
var publicPackages = []string{
	"store", "store/storage", "store/storage/cache", "store/storage/files", "store/storage/objects", "store/storage/storagetest", "store/volume", "store/rotation",
	"crypt", "chunk", "chunk/tarstream",
}

const modulePath = "github.com/kistarchive/kist/"

// deadLink is what a link to nothing looks like to a reader.
var deadLink = regexp.MustCompile(`\[\*?([A-Za-z]\w*\.)*[A-Z]\w*\]`)

// TestDocLinks: every link in a page leads somewhere, also those to other packages, and
// every page has some.
func TestDocLinks(t *testing.T) {
	pages := map[string]*doc.Package{}
	for _, folder := range publicPackages {
		pages[modulePath+folder] = page(t, folder)
	}
	for _, folder := range publicPackages {
		p := pages[modulePath+folder]
		links := 0
		for _, text := range texts(p) {
			eachText(p.Parser().Parse(text), func(in comment.Text) {
				switch in := in.(type) {
				case comment.Plain:
					if dead := deadLink.FindString(string(in)); dead != "" {
						t.Errorf("%s: %s leads nowhere", folder, dead)
					}
				case *comment.DocLink:
					links++
					if other := pages[in.ImportPath]; other != nil && in.Name != "" && !has(other, in.Recv, in.Name) {
						t.Errorf("%s: there is no %s.%s in %s", folder, in.Recv, in.Name, in.ImportPath)
					}
				}
			})
		}
		if links == 0 && folder != "store/storage/files" {
			t.Errorf("%s has no link", folder)
		}
	}
}

// TestAliasesListFields: what is defined in a room has its fields in the comment, as the page
// shows nothing else of it.
func TestAliasesListFields(t *testing.T) {
	p := page(t, "store")
	for _, e := range []any{store.ObjectError{}, store.LapseError{}, store.VanishedError{}} {
		typ := reflect.TypeOf(e)
		at := slices.IndexFunc(p.Types, func(t *doc.Type) bool { return t.Name == typ.Name() })
		if at < 0 {
			t.Errorf("%s has no page", typ.Name())
			continue
		}
		for i := range typ.NumField() {
			f := typ.Field(i)
			line := regexp.MustCompile(`(?m)^\t` + f.Name + ` +` + regexp.QuoteMeta(f.Type.String()) + `\b`)
			if f.IsExported() && !line.MatchString(p.Types[at].Doc) {
				t.Errorf("the page of %s does not have %s %s", typ.Name(), f.Name, f.Type)
			}
		}
	}
}

func page(t *testing.T, folder string) *doc.Package {
	t.Helper()
	fset := token.NewFileSet()
	names, err := filepath.Glob(filepath.Join("..", folder, "*.go"))
	if err != nil {
		t.Fatal(err)
	}
	var files []*ast.File
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(fset, name, nil, parser.ParseComments)
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, file)
	}
	p, err := doc.NewFromFiles(fset, files, modulePath+folder)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// texts gives all that a page says of a package and its names.
func texts(p *doc.Package) (all []string) {
	values := func(values []*doc.Value) {
		for _, v := range values {
			all = append(all, v.Doc)
		}
	}
	funcs := func(funcs []*doc.Func) {
		for _, f := range funcs {
			all = append(all, f.Doc)
		}
	}
	all = append(all, p.Doc)
	values(p.Consts)
	values(p.Vars)
	funcs(p.Funcs)
	for _, t := range p.Types {
		all = append(all, t.Doc)
		values(t.Consts)
		values(t.Vars)
		funcs(t.Funcs)
		funcs(t.Methods)
	}
	return all
}

func has(p *doc.Package, recv, name string) bool {
	for _, t := range p.Types {
		if t.Name == recv {
			for _, m := range t.Methods {
				if m.Name == name {
					return true
				}
			}
			return false
		}
		if recv != "" {
			continue
		}
		if t.Name == name || anyFunc(t.Funcs, name) || anyValue(t.Consts, name) || anyValue(t.Vars, name) {
			return true
		}
	}
	return recv == "" && (anyFunc(p.Funcs, name) || anyValue(p.Consts, name) || anyValue(p.Vars, name))
}

func anyFunc(funcs []*doc.Func, name string) bool {
	for _, f := range funcs {
		if f.Name == name {
			return true
		}
	}
	return false
}

func anyValue(values []*doc.Value, name string) bool {
	for _, v := range values {
		for _, n := range v.Names {
			if n == name {
				return true
			}
		}
	}
	return false
}

// eachText visits what stands in paragraphs and lists.
func eachText(d *comment.Doc, visit func(comment.Text)) {
	var blocks func([]comment.Block)
	blocks = func(all []comment.Block) {
		for _, block := range all {
			switch block := block.(type) {
			case *comment.Paragraph:
				for _, text := range block.Text {
					visit(text)
				}
			case *comment.List:
				for _, item := range block.Items {
					blocks(item.Content)
				}
			}
		}
	}
	blocks(d.Content)
}
