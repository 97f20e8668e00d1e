package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"runtime/debug"
	"sync/atomic"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/reclaim"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/volume"
)

// CallbackPanic is the error of a call during which something of the caller's panicked: a
// function such as FolderOptions.Match or CaptureOptions.Progress, the stream that VolumeInput.Open
// gave, or the writer of [Repository.Restore]. Most of these are called by other goroutines, where
// a panic would end the process. The call ends as by its context, and calls none of them again
// but to close a stream. What a call that writes gives
// beside the error was done all the same.
//
// What a sequence is ranged over with runs in the caller's goroutine, where it panics as usual. A
// panic of OpenOptions.Warn is given by [Repository.Close]. Implementations of [storage.Storage] must
// not panic, and nothing of the caller's may end its goroutine, as runtime.Goexit and FailNow of package testing do.
type CallbackPanic struct {
	Callback string // what panicked, such as "FolderOptions.Match"
	Value    any    // what it panicked with; an error among the error's causes
	Stack    []byte // where, as debug.Stack gives it
}

// Error says what panicked, and with what. It has no stack.
func (p *CallbackPanic) Error() string { return fmt.Sprintf("%s panicked: %v", p.Callback, p.Value) }

// Unwrap gives the value if it is an error.
func (p *CallbackPanic) Unwrap() error {
	err, _ := p.Value.(error)
	return err
}

// guard stands between what is at work in one call and what the caller gave to it.
type guard struct {
	ctx      context.Context // the caller's
	cancel   context.CancelCauseFunc
	panicked atomic.Pointer[CallbackPanic] // the first
}

// guarded gives a guard of a call, and the context that it ends where something panics. The
// caller must call finish.
func guarded(ctx context.Context) (context.Context, *guard) {
	g := &guard{ctx: ctx}
	ctx, g.cancel = context.WithCancelCause(ctx)
	return ctx, g
}

// newGuard gives a guard of what is called by many calls, none of which it ends.
func newGuard() *guard { return &guard{cancel: func(error) {}} }

// finish ends the call: its error tells what panicked, and why the caller's context ended.
func (g *guard) finish(err *error) {
	defer g.cancel(nil)
	p := g.panicked.Load()
	switch {
	case p == nil:
	case *err == nil, g.ctx.Err() == nil && errors.Is(*err, context.Canceled): // ended by g, and by nobody else
		*err = p
	case !errors.Is(*err, p):
		*err = errors.Join(p, *err)
	}
	vault.NoteEnd(g.ctx, err)
}

// call calls something of the caller's, and gives what it panics with.
func (g *guard) call(callback string, do func()) (err error) {
	defer func() {
		if v := recover(); v != nil {
			p := &CallbackPanic{callback, v, debug.Stack()}
			g.panicked.CompareAndSwap(nil, p)
			g.cancel(p)
			err = p
		}
	}()
	do()
	return nil
}

// failed gives the first panic, or nil: nothing is called from then on.
func (g *guard) failed() error {
	if p := g.panicked.Load(); p != nil {
		return p
	}
	return nil
}

// progress guards a function that progress is reported to. It may be nil, as in all that follows.
func (g *guard) progress(callback string, report func(Progress)) func(Progress) {
	if report == nil {
		return nil
	}
	return func(p Progress) {
		if g.failed() == nil {
			g.call(callback, func() { report(p) })
		}
	}
}

// meter gives a meter that reports to whoever called.
func (g *guard) meter(callback string, report func(Progress)) *vault.Meter {
	return newMeter(g.progress(callback, report))
}

// match guards a function that chooses members. It chooses none after a panic.
func (g *guard) match(callback string, match func(string) bool) func(string) bool {
	if match == nil {
		return nil
	}
	return func(path string) (wanted bool) {
		if g.failed() == nil {
			g.call(callback, func() { wanted = match(path) })
		}
		return wanted
	}
}

// now guards a clock. After a panic it is this machine's.
func (g *guard) now(callback string, now func() time.Time) func() time.Time {
	if now == nil {
		return nil
	}
	return func() (t time.Time) {
		if g.failed() != nil || g.call(callback, func() { t = now() }) != nil {
			return time.Now()
		}
		return t
	}
}

// waiting guards ReclaimOptions.Waiting.
func (g *guard) waiting(waiting func(time.Duration)) func(time.Duration) {
	if waiting == nil {
		return nil
	}
	return func(d time.Duration) {
		if g.failed() == nil {
			g.call("ReclaimOptions.Waiting", func() { waiting(d) })
		}
	}
}

// cantRemove guards ReclaimOptions.CantRemove.
func (g *guard) cantRemove(say func()) func() {
	if say == nil {
		return nil
	}
	return func() {
		if g.failed() == nil {
			g.call("ReclaimOptions.CantRemove", say)
		}
	}
}

// toDeltas guards ToDeltasOptions.Begin.
func (g *guard) toDeltas(o *ToDeltasOptions) *reclaim.ToDeltas {
	if o == nil {
		return nil
	}
	guarded := &reclaim.ToDeltas{For: o.For, Batch: o.Batch, Room: o.Room}
	if o.Begin != nil {
		guarded.Begin = func(slabs int, bytes int64) {
			if g.failed() == nil {
				g.call("ToDeltasOptions.Begin", func() { o.Begin(slabs, bytes) })
			}
		}
	}
	return guarded
}

// warn guards OpenOptions.Warn.
func (g *guard) warn(warn func(error)) func(error) {
	if warn == nil {
		return nil
	}
	return func(err error) {
		if g.failed() == nil {
			g.call("OpenOptions.Warn", func() { warn(err) })
		}
	}
}

// check guards UnlockOptions.Check.
func (g *guard) check(check func(*crypt.RootKey) error) func(*crypt.RootKey) error {
	if check == nil {
		return nil
	}
	return func(root *crypt.RootKey) (err error) {
		if p := g.call("UnlockOptions.Check", func() { err = check(root) }); p != nil {
			return p
		}
		return err
	}
}

// checkBefore guards CaptureOptions.CheckBefore, which is called with what given makes of a capture.
func (g *guard) checkBefore(check func(*Capture) error, given func(*ledger.Capture) *Capture) func(*ledger.Capture) error {
	if check == nil {
		return nil
	}
	return func(found *ledger.Capture) (err error) {
		var before *Capture
		if found != nil {
			before = given(found)
		}
		if p := g.call("CaptureOptions.CheckBefore", func() { err = check(before) }); p != nil {
			return p
		}
		return err
	}
}

// folder guards the functions of options.
func (g *guard) folder(o FolderOptions) FolderOptions {
	o.Match = g.match("FolderOptions.Match", o.Match)
	o.Now = g.now("FolderOptions.Now", o.Now)
	o.Progress = g.progress("FolderOptions.Progress", o.Progress)
	o.Aside = g.aside("FolderOptions.Aside", o.Aside)
	return o
}

// aside guards what is told of what is set aside. After a panic it fails.
func (g *guard) aside(callback string, aside func(volume.Identity) error) func(volume.Identity) error {
	if aside == nil {
		return nil
	}
	return func(id volume.Identity) (err error) {
		if err := g.failed(); err != nil {
			return err
		}
		if panicked := g.call(callback, func() { err = aside(id) }); panicked != nil {
			return panicked
		}
		return err
	}
}

// volumes guards what volumes are read by.
func (g *guard) volumes(inputs []VolumeInput) []VolumeInput {
	guarded := make([]VolumeInput, len(inputs))
	for i, v := range inputs {
		v.Open = g.open(v.Open)
		if v.Folder != nil {
			f := *v.Folder
			f.Now = g.now("FolderInput.Now", f.Now)
			f.Options.OnEntry = g.onEntry(f.Options.OnEntry)
			v.Folder = &f
		}
		guarded[i] = v
	}
	return guarded
}

func (g *guard) onEntry(onEntry func(string, int64)) func(string, int64) {
	if onEntry == nil {
		return nil
	}
	return func(path string, size int64) {
		if g.failed() == nil {
			g.call("ReadOptions.OnEntry", func() { onEntry(path, size) })
		}
	}
}

func (g *guard) open(open func(context.Context) (io.ReadCloser, error)) func(context.Context) (io.ReadCloser, error) {
	if open == nil {
		return nil
	}
	return func(ctx context.Context) (stream io.ReadCloser, err error) {
		if p := g.call("VolumeInput.Open", func() { stream, err = open(ctx) }); p != nil {
			return nil, p
		}
		if stream != nil {
			stream = &guardedStream{g, stream}
		}
		return stream, err
	}
}

// guardedStream is a stream that VolumeInput.Open gave.
type guardedStream struct {
	g      *guard
	stream io.ReadCloser
}

func (s *guardedStream) Read(p []byte) (n int, err error) {
	if err := s.g.failed(); err != nil {
		return 0, err
	}
	if p := s.g.call("Read of VolumeInput.Open's stream", func() { n, err = s.stream.Read(p) }); p != nil {
		return 0, p
	}
	return n, err
}

// Close closes the stream whatever panicked before.
func (s *guardedStream) Close() (err error) {
	if p := s.g.call("Close of VolumeInput.Open's stream", func() { err = s.stream.Close() }); p != nil {
		return p
	}
	return err
}

// writer guards a writer, and keeps its power to take holes.
func (g *guard) writer(w io.Writer) io.Writer {
	if h, ok := w.(HoleWriter); ok {
		return &guardedHoleWriter{guardedWriter{g, w}, h}
	}
	return &guardedWriter{g, w}
}

type guardedWriter struct {
	g *guard
	w io.Writer
}

func (w *guardedWriter) Write(p []byte) (n int, err error) {
	if err := w.g.failed(); err != nil {
		return 0, err
	}
	if p := w.g.call("Write of the writer", func() { n, err = w.w.Write(p) }); p != nil {
		return 0, p
	}
	return n, err
}

type guardedHoleWriter struct {
	guardedWriter
	holes HoleWriter
}

func (w *guardedHoleWriter) WriteHole(n int64) (err error) {
	if err := w.g.failed(); err != nil {
		return err
	}
	if p := w.g.call("WriteHole of the writer", func() { err = w.holes.WriteHole(n) }); p != nil {
		return p
	}
	return err
}
