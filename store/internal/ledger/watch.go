package ledger

import (
	"errors"
	"fmt"
	"slices"
	"sync"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/remember"
)

// Errors about what this machine knows of a repository. See OpenOptions.State.
var (
	// ErrStranger is returned by Open for a repository with the id of one that this
	// machine knows, and another root key: somebody put another one in its place.
	ErrStranger = errors.New("this is not the repository that this machine knows by that id: it has another root key, so it was replaced or forged")

	// ErrForgetful is what OpenOptions.Warn gets where nothing can be kept in
	// OpenOptions.State: what is learned is known for as long as the Repository is open.
	ErrForgetful = errors.New("what this machine learns of the repository is lost when this ends")
)

// Watch is what a repository is held against, and who is told. A repository that
// is opened afresh shares it.
type Watch struct {
	Memory *remember.Memory
	warn   func(error) // nil: nobody is told

	mu        sync.Mutex
	told      map[string]bool // lapses that were told
	forgetful bool            // likewise
}

// NewWatch gives one that nothing was kept for, and that ends with the process.
func NewWatch() *Watch { return &Watch{Memory: remember.New(), told: make(map[string]bool)} }

// OpenWatch opens what this machine knows of a place of a repository, in the folder state; "" keeps it
// for as long as the Repository is open.
func OpenWatch(state string, warn func(error), id crypt.RepositoryID, place string) *Watch {
	w := NewWatch()
	w.warn = warn
	if state != "" {
		var err error
		w.Memory, err = remember.Open(state, id, place)
		w.Keep(err)
	}
	return w
}

// Greet makes sure that the root key is the one that this machine knows, and notes by
// what the repository was opened.
func (w *Watch) Greet(acceptNew bool, root *crypt.RootKey, id crypt.RepositoryID, slot crypt.SlotID) error {
	fingerprint, err := root.Fingerprint(id)
	if err != nil {
		return err
	}
	if known, ok := w.Memory.Root(); ok && known != fingerprint && !acceptNew {
		return fmt.Errorf("repository %s: %w", id, ErrStranger)
	}
	w.Keep(w.Memory.SetRoot(fingerprint))
	w.Keep(w.Memory.SetSlot(slot))
	return nil
}

// Keep tells once that something can't be kept.
func (w *Watch) Keep(err error) {
	if err == nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.forgetful && w.warn != nil {
		w.warn(fmt.Errorf("%w: %w", ErrForgetful, err))
	}
	w.forgetful = true
}

// tell warns of what was not told before.
func (w *Watch) tell(l *LapseError) {
	w.mu.Lock()
	defer w.mu.Unlock()
	key := l.Error() + fmt.Sprint(l.All())
	if l.Empty() || w.told[key] {
		return
	}
	w.told[key] = true
	if w.warn != nil {
		w.warn(l)
	}
}

// LapseError tells what this machine knows of the captures of a repository and does not
// find there. Any of it means that somebody removed or exchanged objects, or put the
// repository back to an earlier state, beside kist.
type LapseError struct {
	Missing   []string // ids of captures that are not there, and were not removed by reclaiming or repairing
	Exchanged []string // whose index files are other ones than they were
	Returned  []string // that were removed on purpose, and are there again
}

// Empty tells whether nothing lapsed.
func (l *LapseError) Empty() bool { return len(l.All()) == 0 }

// All gives the ids of all three lists.
func (l *LapseError) All() []string { return slices.Concat(l.Missing, l.Exchanged, l.Returned) }

// Error names the first captures of each kind.
func (l *LapseError) Error() string {
	text := "the repository is not as this machine knows it: it was changed beside kist, or put back to an earlier state"
	for _, kind := range []struct {
		ids  []string
		what string
	}{
		{l.Missing, "gone without having been removed by kist, or cut short"},
		{l.Exchanged, "exchanged for another index file"},
		{l.Returned, "removed once, and there again"},
	} {
		if len(kind.ids) > 0 {
			text += "; " + kind.what + ": " + names.Shortened(kind.ids, 2*names.Most)
		}
	}
	return text
}

// Hash gives what the capture is known by, whatever the generation of its index file.
func (c *Capture) Hash() crypt.Digest { return c.IndexFile.Hash() }

// Remembered is the capture as this machine remembers it.
func (c *Capture) Remembered(kind remember.Kind) remember.Capture {
	return remember.Capture{ID: c.ID, Hash: c.Hash(), Kind: kind}
}

// Previous gives the capture that this machine made before, or nil.
func (r *Ledger) Previous() *format.Previous {
	if last, ok := r.watch.Memory.Last(); ok {
		return &format.Previous{ID: last.ID, Hash: last.Hash}
	}
	return nil
}

// IsOwn tells whether this machine made a capture, as it is. Whoever holds another key may
// have put one there that says so.
func (r *Ledger) IsOwn(c *Capture) bool {
	known, ok := r.watch.Memory.Find(c.ID)
	return ok && known.Kind == remember.Made && known.Hash == c.Hash()
}
