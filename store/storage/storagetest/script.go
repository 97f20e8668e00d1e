package storagetest

import (
	"context"
	"errors"
	"sync"
	"time"
)

// ErrInjected is what a [Fault] without an error of its own returns.
var ErrInjected = errors.New("injected fault")

// Method names a method of storage.Storage, or a call that a [Disk] gets.
type Method string

// The methods that are counted and that can fail. Any stands for all of them.
const (
	Any    Method = ""
	ReadAt Method = "read"   // of a storage, and of a disk
	List   Method = "list"   // of both
	Stat   Method = "stat"   // of both
	Remove Method = "remove" // of both
	Put    Method = "put"
	Mark   Method = "mark"

	// Calls of a Disk only.
	Create     Method = "create" // exclusively, for writing
	Write      Method = "write"
	Sync       Method = "sync"
	Close      Method = "close" // of a file that was written
	Rename     Method = "rename"
	Mkdir      Method = "make folder"
	SyncFolder Method = "sync folder"
	Open       Method = "open" // for reading
)

// Effect is what a [Fault] does to a call.
type Effect int

const (
	// Fail does nothing, and returns the error.
	Fail Effect = iota

	// FailAfter does it all, and returns the error: the answer was lost.
	FailAfter

	// Hang does nothing until ctx ends, and returns ctx's error. A call of a Disk,
	// which has no ctx, waits for Disk.Back, and is done then.
	Hang

	// Tear does a part only, and returns nil as if all were well, like a medium that
	// lies: Put and Mark store the first Keep bytes; List gives the first Keep objects;
	// ReadAt finds an object of Keep bytes, so that it may have to return
	// io.ErrUnexpectedEOF. On a Disk, Write writes the first Keep bytes of those it
	// gets, and says so; Sync and SyncFolder flush nothing, and return nil. Other
	// calls take no harm.
	Tear

	// TearAndFail does a part only, and returns the error. On a Disk, Sync leaves the
	// first Keep bytes of the file, as a share does whose client drops what it can't
	// send.
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

// script counts calls and says which ones go wrong.
type script struct {
	mu     sync.Mutex
	calls  map[Method]int
	faults []Fault
	before func(Method, string)
}

// Inject replaces the faults. The first one that fits a call has its effect. Calls are
// counted from the last Reset on, or from the beginning.
func (s *script) Inject(faults ...Fault) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.faults = faults
}

// Reset sets all counts to 0 and takes all faults away.
func (s *script) Reset() {
	s.mu.Lock()
	defer s.mu.Unlock()
	clear(s.calls)
	s.faults = nil
}

// Before has a function run before each call, to let something happen right then, or
// to record the calls, or to make them slow by the clock of a testing/synctest bubble;
// nil ends that. It may itself use what is below, and runs in the goroutine of the
// call: in several at once if calls are.
func (s *script) Before(function func(method Method, name string)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.before = function
}

// Calls gives how many calls of a method there were, those that went wrong included.
func (s *script) Calls(method Method) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.calls[method]
}

// Latency gives how long all the calls would have taken, one after the other, if each
// had taken perCall. What is called from several goroutines waits less.
func (s *script) Latency(perCall time.Duration) time.Duration {
	return time.Duration(s.Calls(Any)) * perCall
}

// begin counts a call and gives the fault that it meets, or nil.
func (s *script) begin(method Method, name string) *Fault {
	s.mu.Lock()
	before := s.before
	s.mu.Unlock()
	if before != nil {
		before(method, name)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.calls == nil {
		s.calls = map[Method]int{}
	}
	ofAny, ofMethod := s.calls[Any], s.calls[method]
	s.calls[Any]++
	s.calls[method]++
	for _, fault := range s.faults {
		if fault.Method == Any && fault.hits(ofAny) || fault.Method == method && fault.hits(ofMethod) {
			return &fault
		}
	}
	return nil
}

func (t *Fault) hits(call int) bool {
	return call == t.From || call > t.From && !t.Once
}

// has reports whether there is a fault of one of these effects.
func (t *Fault) has(effects ...Effect) bool {
	if t == nil {
		return false
	}
	for _, e := range effects {
		if t.Effect == e {
			return true
		}
	}
	return false
}

func (t *Fault) tears() bool { return t.has(Tear, TearAndFail) }

// around does what is left of a call of a Faulty, and gives what it is to return.
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
