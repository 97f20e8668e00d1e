package storagetest

import (
	"context"
	"errors"
	"io"
	"sync"
	"time"

	"github.com/kistarchive/kist/store/storage"
)

// ErrInjected is what a Fault without an error of its own returns.
var ErrInjected = errors.New("injected fault")

// Method names a method of storage.Storage.
type Method string

// The methods that are counted and that can fail. Any stands for all of them.
const (
	Any    Method = ""
	Put    Method = "put"
	Mark   Method = "mark"
	ReadAt Method = "read"
	List   Method = "list"
	Stat   Method = "stat"
	Remove Method = "remove"
)

// Effect is what a Fault does to a call.
type Effect int

const (
	// Fail does nothing, and returns the error.
	Fail Effect = iota

	// FailAfter does it all, and returns the error: the answer was lost.
	FailAfter

	// Hang does nothing until ctx ends, and returns ctx's error.
	Hang

	// Tear does a part only, and returns nil as if all were well, like a medium that
	// lies: Put and Mark store the first Keep bytes; List gives the first Keep objects;
	// ReadAt finds an object of Keep bytes, so that it may have to return
	// io.ErrUnexpectedEOF. Stat and Remove take no harm.
	Tear

	// TearAndFail does a part only, and returns the error.
	TearAndFail
)

// Fault says which calls go wrong, and how.
type Fault struct {
	Method Method // Any: every method
	From   int    // the first call that goes wrong; calls of Method are counted from 0
	Once   bool   // only that call; otherwise all that follow, too
	Effect Effect
	Err    error // nil: ErrInjected
	Keep   int   // for Tear and TearAndFail: bytes, or objects of a List
}

// Faulty passes calls on to a storage, counts them, and makes chosen ones go wrong. It
// may be used by any number of goroutines.
type Faulty struct {
	inner storage.Storage

	mu     sync.Mutex
	calls  map[Method]int
	faults []Fault
	before func(Method, string)
}

// NewFaulty wraps a storage. Without Inject it only counts.
func NewFaulty(inner storage.Storage) *Faulty {
	return &Faulty{inner: inner, calls: map[Method]int{}}
}

// Inject replaces the faults. The first one that fits a call has its effect. Calls are
// counted from the last Reset on, or from NewFaulty.
func (f *Faulty) Inject(faults ...Fault) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.faults = faults
}

// Reset sets all counts to 0 and takes all faults away.
func (f *Faulty) Reset() {
	f.mu.Lock()
	defer f.mu.Unlock()
	clear(f.calls)
	f.faults = nil
}

// Before has a function run before each call, to let something happen right then, or
// to record the calls; nil ends that. It may itself use the storage inside, and
// runs in the goroutine of the call.
func (f *Faulty) Before(function func(method Method, name string)) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.before = function
}

// Calls gives how many calls of a method there were, those that went wrong included.
func (f *Faulty) Calls(method Method) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.calls[method]
}

// Put implements storage.Storage.
func (f *Faulty) Put(ctx context.Context, name string, content io.Reader) error {
	fault := f.begin(Put, name)
	return fault.around(ctx, func() error {
		if fault.tears() {
			content = io.LimitReader(content, int64(fault.Keep))
		}
		return f.inner.Put(ctx, name, content)
	})
}

// Mark implements storage.Storage.
func (f *Faulty) Mark(ctx context.Context, name string, content []byte) error {
	fault := f.begin(Mark, name)
	return fault.around(ctx, func() error {
		if fault.tears() {
			content = content[:min(fault.Keep, len(content))]
		}
		return f.inner.Mark(ctx, name, content)
	})
}

// ReadAt implements storage.Storage.
func (f *Faulty) ReadAt(ctx context.Context, name string, p []byte, off int64) error {
	fault := f.begin(ReadAt, name)
	return fault.around(ctx, func() error {
		err := f.inner.ReadAt(ctx, name, p, off)
		if err == nil && fault.tears() && off+int64(len(p)) > int64(fault.Keep) {
			clear(p[max(0, min(int64(fault.Keep)-off, int64(len(p)))):])
			return &storage.Error{Op: "read", Name: name, Err: io.ErrUnexpectedEOF}
		}
		return err
	})
}

// List implements storage.Storage.
func (f *Faulty) List(ctx context.Context, folder string) ([]storage.Info, error) {
	fault := f.begin(List, folder)
	var infos []storage.Info
	err := fault.around(ctx, func() (err error) {
		infos, err = f.inner.List(ctx, folder)
		if fault.tears() {
			infos = infos[:min(fault.Keep, len(infos))]
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return infos, nil
}

// Stat implements storage.Storage.
func (f *Faulty) Stat(ctx context.Context, name string) (storage.Info, error) {
	var info storage.Info
	err := f.begin(Stat, name).around(ctx, func() (err error) {
		info, err = f.inner.Stat(ctx, name)
		return err
	})
	if err != nil {
		return storage.Info{}, err
	}
	return info, nil
}

// Remove implements storage.Storage.
func (f *Faulty) Remove(ctx context.Context, name string) error {
	return f.begin(Remove, name).around(ctx, func() error { return f.inner.Remove(ctx, name) })
}

// Now implements storage.Clock, and returns errors.ErrUnsupported if the storage inside
// does not. It is not counted and does not fail.
func (f *Faulty) Now(ctx context.Context) (time.Time, error) {
	if clock, ok := f.inner.(storage.Clock); ok {
		return clock.Now(ctx)
	}
	return time.Time{}, errors.ErrUnsupported
}

// begin counts a call and gives the fault that it meets, or nil.
func (f *Faulty) begin(method Method, name string) *Fault {
	f.mu.Lock()
	before := f.before
	f.mu.Unlock()
	if before != nil {
		before(method, name)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	ofAny, ofMethod := f.calls[Any], f.calls[method]
	f.calls[Any]++
	f.calls[method]++
	for _, fault := range f.faults {
		if fault.Method == Any && fault.hits(ofAny) || fault.Method == method && fault.hits(ofMethod) {
			return &fault
		}
	}
	return nil
}

func (t *Fault) hits(call int) bool {
	return call == t.From || call > t.From && !t.Once
}

func (t *Fault) tears() bool {
	return t != nil && (t.Effect == Tear || t.Effect == TearAndFail)
}

// around does what is left of a call, and gives what it is to return.
func (t *Fault) around(ctx context.Context, call func() error) error {
	if t == nil {
		return call()
	}
	switch t.Effect {
	case Hang:
		<-ctx.Done()
		return ctx.Err()
	case Fail:
		return t.error()
	}
	if err := call(); err != nil || t.Effect == Tear {
		return err
	}
	return t.error()
}

func (t *Fault) error() error {
	if t.Err != nil {
		return t.Err
	}
	return ErrInjected
}
