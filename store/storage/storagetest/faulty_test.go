package storagetest

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store/storage"
)

func TestEffects(t *testing.T) {
	tests := []struct {
		effect Effect
		err    error
		left   string // of the object put; "-": none
	}{
		{Fail, ErrInjected, "-"},
		{FailAfter, ErrInjected, "content"},
		{Hang, context.Canceled, "-"},
		{Tear, nil, "con"},
		{TearAndFail, ErrInjected, "con"},
	}
	for _, test := range tests {
		for _, method := range []Method{Put, Mark} {
			inner := storage.NewMemory()
			f := NewFaulty(inner)
			f.Inject(Fault{Method: method, Effect: test.effect, Keep: 3})
			ctx, cancel := context.WithCancel(t.Context())
			if test.effect == Hang {
				cancel()
			}
			err := f.Put(ctx, "slabs/x", strings.NewReader("content"))
			if method == Mark {
				_ = inner.Remove(ctx, "slabs/x")
				err = f.Mark(ctx, "slabs/x", []byte("content"))
			}
			cancel()
			if !errors.Is(err, test.err) {
				t.Errorf("effect %d on %s: got %v, want %v", test.effect, method, err, test.err)
			}
			if test.left == "-" {
				wantAbsent(t, inner, "slabs/x")
			} else {
				wantObject(t, inner, "slabs/x", []byte(test.left))
			}
		}
	}
}

func TestTornReading(t *testing.T) {
	f := NewFaulty(storage.NewMemory())
	mustPut(t, f, "slabs/x", pattern(10))
	mustPut(t, f, "slabs/y", pattern(10))
	f.Inject(Fault{Method: ReadAt, Effect: Tear, Keep: 4}, Fault{Method: List, Effect: Tear, Keep: 1})
	p := make([]byte, 4)
	if err := f.ReadAt(t.Context(), "slabs/x", p, 0); err != nil || string(p) != string(pattern(4)) {
		t.Errorf("within what is kept: %v", err)
	}
	for _, off := range []int64{1, 4, 6} {
		wantError(t, f.ReadAt(t.Context(), "slabs/x", p, off), io.ErrUnexpectedEOF, "slabs/x")
	}
	wantNames(t, f, "", "slabs/x")
}

func TestWhichCalls(t *testing.T) {
	f := NewFaulty(storage.NewMemory())
	other := errors.New("other")
	f.Inject(
		Fault{Method: Stat, From: 1, Once: true},
		Fault{Method: Any, From: 4, Err: other},
	)
	var seen []string
	f.Before(func(method Method, name string) { seen = append(seen, string(method)+" "+name) })
	for i, want := range []error{storage.ErrNotFound, ErrInjected, storage.ErrNotFound, storage.ErrNotFound, other, other} {
		if _, err := f.Stat(t.Context(), "slabs/x"); !errors.Is(err, want) {
			t.Errorf("call %d: got %v, want %v", i, err, want)
		}
	}
	if err := f.Remove(t.Context(), "slabs/x"); !errors.Is(err, other) {
		t.Errorf("got %v", err)
	}
	if f.Calls(Stat) != 6 || f.Calls(Remove) != 1 || f.Calls(Any) != 7 || f.Calls(Put) != 0 {
		t.Errorf("%d, %d, %d, %d calls", f.Calls(Stat), f.Calls(Remove), f.Calls(Any), f.Calls(Put))
	}
	if len(seen) != 7 || seen[6] != "remove slabs/x" {
		t.Errorf("seen: %q", seen)
	}
	f.Reset()
	if f.Calls(Any) != 0 {
		t.Error("Reset leaves counts")
	}
	mustPut(t, f, "slabs/x", nil)
}
