package files

import (
	"context"
	"sync"
	"time"
)

// A Watch sees which calls of a file system are under way, and since when it is silent: since when a call has been
// under way and none came to its end. A share that is slow is not silent as long as some call comes back.
//
// The zero Watch is ready, and sees what goes by way of the Places that its method Place gives, and what Begin is called
// for. Its methods may be called at once from any number of goroutines.
type Watch struct {
	mu    sync.Mutex
	calls []*Call   // under way, the one that began first before the others
	sign  time.Time // of life: when a call came to its end, or began where none was under way
	ended chan struct{}
	cause error
}

// Call is a call of a file system.
type Call struct {
	Op    string // as "open", "write" or "sync"
	Name  string // of the file or folder, below the folder that is watched; "": that folder
	Since time.Time
}

// Silence is a time without an answer.
type Silence struct {
	Call               // the one that has been under way longest
	For  time.Duration // since the last sign of life
	Over bool          // it answered; For is how long that took

	// Cause is why a call that is under way was to be done again, the last time since the last sign of life; nil: it is not known.
	Cause error
}

// Place gives a place whose calls the watch sees.
func (w *Watch) Place(p Place) Place { return Around(p, w.Begin) }

// Begin notes that a call begins. end says that it came to its end, well or not, and may be called once.
func (w *Watch) Begin(op, name string) (end func()) {
	c := &Call{op, name, time.Now()}
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.calls) == 0 {
		w.sign, w.cause = c.Since, nil
	}
	w.calls = append(w.calls, c)
	return func() { w.end(c) }
}

func (w *Watch) end(c *Call) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i, other := range w.calls {
		if other == c {
			w.calls = append(w.calls[:i], w.calls[i+1:]...)
			break
		}
	}
	w.signed()
}

// Sign says that something moved, though no call came to its end.
func (w *Watch) Sign() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.signed()
}

// Again says that what a call under way waits for failed, for what may pass, and is done again.
func (w *Watch) Again(cause error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cause = cause
}

func (w *Watch) signed() {
	w.cause = nil
	w.sign = time.Now()
	if w.ended != nil {
		close(w.ended)
		w.ended = nil
	}
}

// Silent gives how long the file system has been silent; For is 0 where no call is under way.
func (w *Watch) Silent() Silence {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.silent()
}

func (w *Watch) silent() (s Silence) {
	if len(w.calls) == 0 {
		return s
	}
	return Silence{Call: *w.calls[0], For: time.Since(w.sign), Cause: w.cause}
}

// nextEnd gives a channel that is closed when the next call comes to its end.
func (w *Watch) nextEnd() <-chan struct{} {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.ended == nil {
		w.ended = make(chan struct{})
	}
	return w.ended
}

// Run calls told whenever the file system has been silent for the time first, until ctx ends. told says after how long a
// silence it is to be called again; once more it is called when that silence is over. It is called in the goroutine of Run.
func (w *Watch) Run(ctx context.Context, first time.Duration, told func(Silence) (next time.Duration)) {
	for {
		ended := w.nextEnd() // asked for before looking, so that no end is missed
		s := w.Silent()
		if s.For < first {
			if !pause(ctx, nil, first-s.For) {
				return
			}
			continue
		}
		began := time.Now().Add(-s.For)
		next := told(s)
		for waits := true; waits; {
			select {
			case <-ended:
				waits = false
			default:
				if !pause(ctx, ended, next-time.Since(began)) {
					return
				}
				if now := w.Silent(); now.For >= next {
					now.For = time.Since(began)
					next = told(now)
				}
			}
		}
		told(Silence{Call: s.Call, For: time.Since(began), Over: true})
	}
}

// pause waits for a time, or until a channel is closed. It gives false when ctx ended, and that channel is not closed.
func pause(ctx context.Context, until <-chan struct{}, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-until:
	case <-ctx.Done():
		select {
		case <-until:
		default:
			return false
		}
	}
	return true
}
