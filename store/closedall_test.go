package store_test

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"reflect"
	"strings"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
)

// Every method with an error that a closed Repository has, also where nothing is there and
// nothing would have to be opened, gives ErrClosed, which is fs.ErrClosed. Methods are found
// by reflection, so that a new one is asked as well.
func TestClosedEverywhere(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	c := f.capture(tarOf(t, file{name: "catalogue", content: random(1, 1000)}))
	d, err := f.Draft(t.Context(), store.CaptureOptions{Volumes: []store.VolumeInput{stream([]byte("bean"))}})
	if err != nil {
		t.Fatal(err)
	}
	f.Repository.Close()
	asked := 0
	for name, method := range methodsOf(f.Repository) {
		if name == "Close" {
			continue
		}
		if got, fails := errorOf(method.Call(argumentsOf(method, t.Context(), f, c, d))); fails {
			asked++
			if !errors.Is(got, store.ErrClosed) || !errors.Is(got, fs.ErrClosed) {
				t.Errorf("%s after Close: %v", name, got)
			}
		}
	}
	if asked < 24 {
		t.Errorf("only %d methods can fail", asked)
	}
}

// methodsOf gives the exported methods of a value by their names.
func methodsOf(v any) map[string]reflect.Value {
	r, methods := reflect.ValueOf(v), make(map[string]reflect.Value)
	for m := range r.Type().NumMethod() {
		methods[r.Type().Method(m).Name] = r.Method(m)
	}
	return methods
}

// argumentsOf gives what a function can be called with; zero values where nothing better is known.
func argumentsOf(function reflect.Value, ctx context.Context, f *fixture, c *store.Capture, d *store.Draft) (in []reflect.Value) {
	given := map[string]reflect.Value{
		"*store.Capture": reflect.ValueOf(c), "*store.Volume": reflect.ValueOf(&c.Volumes[0]), "context.Context": reflect.ValueOf(ctx),
		"*store.Repository": reflect.ValueOf(f.Repository), "io.Writer": reflect.ValueOf(io.Discard), "crypt.Secret": reflect.ValueOf(f.key), "storage.Storage": reflect.ValueOf(f.mem),
		"store.CaptureOptions": reflect.ValueOf(store.CaptureOptions{After: d, Volumes: []store.VolumeInput{stream([]byte("bean"))}}),
		"func(string) bool":    reflect.ValueOf(func(string) bool { return true }),
	}
	for i := range function.Type().NumIn() {
		kind := function.Type().In(i)
		if v, ok := given[kind.String()]; ok {
			in = append(in, v)
		} else {
			in = append(in, reflect.Zero(kind))
		}
	}
	return in
}

// errorOf gives the error among results, or that of a sequence; fails tells whether they
// have one.
func errorOf(out []reflect.Value) (err error, fails bool) {
	last := out[len(out)-1]
	switch {
	case last.Type() == reflect.TypeFor[error]():
		err, _ = last.Interface().(error)
		return err, true
	case strings.HasPrefix(last.Type().String(), "iter.Seq2"):
		for _, e := range last.Seq2() {
			err, _ = e.Interface().(error)
		}
		return err, true
	}
	return nil, false
}

// A member that was opened before reads no further after Close, of the repository or of
// its own, although its frame is in memory; nor does a sequence go on.
func TestReadAfterClose(t *testing.T) {
	for name, last := range map[string]func(f *fixture, content io.Closer) error{
		"the repository": func(f *fixture, _ io.Closer) error { return f.Repository.Close() },
		"the member":     func(_ *fixture, content io.Closer) error { return content.Close() },
	} {
		f := newFixture(t)
		f.harmed = true
		c := f.capture(tarOf(t, file{name: "catalogue", content: random(1, 100_000)}, file{name: "b"}, file{name: "c"}))
		_, content, err := f.OpenMember(t.Context(), &c.Volumes[0], "catalogue")
		if err != nil {
			t.Fatal(err)
		}
		b := make([]byte, 10)
		if _, err := content.Read(b); err != nil {
			t.Fatal(err)
		}
		if err := last(f, content); err != nil {
			t.Fatal(err)
		}
		if n, err := content.Read(b); n != 0 || !errors.Is(err, fs.ErrClosed) {
			t.Errorf("reading after closing %s: %d, %v", name, n, err)
		}
		if err := content.Close(); err != nil && !errors.Is(err, fs.ErrClosed) {
			t.Errorf("closing a member after %s: %v", name, err)
		}
	}
	f := newFixture(t)
	f.harmed = true
	c := f.capture(tarOf(t, file{name: "a"}, file{name: "b"}, file{name: "c"}))
	var err error
	n := 0
	for _, err = range f.Members(t.Context(), &c.Volumes[0]) {
		f.Repository.Close()
		n++
	}
	if n != 2 || !errors.Is(err, store.ErrClosed) {
		t.Errorf("after Close a sequence gave %d, and %v at last", n, err)
	}
	f = newFixture(t)
	f.harmed = true
	c, n = f.capture(tarOf(t, file{name: "a"}, file{name: "b"}, file{name: "c"})), 0
	other := f.capture(tarOf(t, file{name: "d"}))
	for _, err = range f.Compare(t.Context(), c, other, store.CompareOptions{}) {
		f.Repository.Close()
		n++
	}
	if n != 2 || !errors.Is(err, store.ErrClosed) {
		t.Errorf("after Close a comparison gave %d, and %v at last", n, err)
	}
	if !errors.Is(crypt.ErrKeysWiped, fs.ErrClosed) {
		t.Error("wiped keys are not closed")
	}
}
