package store_test

import (
	"context"
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"reflect"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// Whatever takes a context fails with its cause where it is done already, also where nothing
// would have to be read. Methods are found by reflection, functions in the sources.
func TestDoneEverywhere(t *testing.T) {
	f := newFixture(t)
	c := f.capture(tarOf(t, file{name: "catalogue", content: random(1, 1000)}))
	d, err := f.Draft(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream([]byte("bean"))}})
	if err != nil {
		t.Fatal(err)
	}
	opened, err := f.OpenVolume(t.Context(), &c.Volumes[0])
	if err != nil {
		t.Fatal(err)
	}
	cause := errors.New("the tide came in")
	ctx, cancel := context.WithCancelCause(t.Context())
	cancel(cause)

	functions := map[string]reflect.Value{"Find": reflect.ValueOf(store.Find), "Open": reflect.ValueOf(store.Open), "Create": reflect.ValueOf(store.Create), "CreateReplica": reflect.ValueOf(store.CreateReplica)}
	for _, name := range functionsWithContext(t) {
		if _, ok := functions[name]; !ok {
			t.Errorf("%s takes a context: add it here", name)
		}
	}
	empty := *f
	empty.mem = storage.NewMemory()
	ask := func(name string, function reflect.Value, f *fixture) {
		got, fails := errorOf(function.Call(argumentsOf(function, ctx, f, c, d)))
		if !fails || !errors.Is(got, cause) || !errors.Is(got, context.Canceled) {
			t.Errorf("%s with a context that is done: %v", name, got)
		}
	}
	for name, function := range functions {
		ask(name, function, map[string]*fixture{"Find": f, "Open": f, "Create": &empty, "CreateReplica": &empty}[name])
	}
	asked := 0
	for _, v := range []any{f.Repository, opened} {
		for name, method := range methodsOf(v) {
			if method.Type().NumIn() > 0 && method.Type().In(0) == reflect.TypeFor[context.Context]() {
				ask(name, method, f)
				asked++
			}
		}
	}
	if asked < 36 {
		t.Errorf("only %d methods take a context", asked)
	}
}

// functionsWithContext gives the exported functions of package store that take a context.
func functionsWithContext(t *testing.T) (names []string) {
	paths, err := filepath.Glob("*.go")
	if err != nil || len(paths) == 0 {
		t.Fatal(err, "no sources")
	}
	for _, path := range paths {
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		if file.Name.Name != "store" {
			continue
		}
		for _, d := range file.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok || f.Recv != nil || !f.Name.IsExported() || len(f.Type.Params.List) == 0 {
				continue
			}
			if s, ok := f.Type.Params.List[0].Type.(*ast.SelectorExpr); ok && s.Sel.Name == "Context" {
				names = append(names, f.Name.Name)
			}
		}
	}
	return names
}
