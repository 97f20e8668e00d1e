package objects

import (
	"context"
	"errors"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/kistarchive/kist/store/storage"
)

// An object store shows at once what it took (Amazon S3 user guide, "Amazon S3 data consistency model"). One that does not, as where a
// gateway, a cache or a second site lags behind, is found out by what this storage itself put and removed: its answers are held against that,
// which takes no request as long as they agree.

const (
	// ownFresh is how long after a write nobody else removes an object: leases live for 30 minutes, and what others may go by
	// stays for a minute.
	ownFresh = time.Minute

	// ownMost is how many writes are remembered: those of a capture of 300 GiB, in some MB.
	ownMost = 10_000

	// mostLooks is how many of them are asked for by name where one list says otherwise: others may have removed thousands.
	mostLooks = 16

	// latePatience is how long what does not show is asked for again.
	latePatience = 5 * time.Second
)

// ownWrites are objects that this storage put or removed.
type ownWrites struct {
	mu   sync.Mutex
	last map[string]ownWrite
}

type ownWrite struct {
	is bool // it is there, else it was removed
	at time.Time
}

// forget says of objects that nobody knows whether they are there, as while they are put or removed.
func (o *ownWrites) forget(keys ...string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for _, key := range keys {
		delete(o.last, key)
	}
}

// done notes what became of it.
func (o *ownWrites) done(key string, is bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.last == nil {
		o.last = make(map[string]ownWrite)
	}
	if len(o.last) >= ownMost {
		old := slices.SortedFunc(maps.Keys(o.last), func(a, b string) int { return o.last[a].at.Compare(o.last[b].at) })
		for _, key := range old[:ownMost/2] {
			delete(o.last, key)
		}
	}
	o.last[key] = ownWrite{is, time.Now()}
}

// fresh tells whether an object must be there, as it was put just now.
func (o *ownWrites) fresh(key string) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	w, ok := o.last[key]
	now := time.Now()
	age := max(now.Sub(w.at), now.Round(0).Sub(w.at.Round(0))) // a machine that slept shows in its wall clock only
	return ok && w.is && age < ownFresh
}

// against gives keys, mostLooks at most, of which a list says otherwise than was known when it began and is still.
func (o *ownWrites) against(prefix, after string, began time.Time, listed []storage.Info, keyOf func(name string) string) (missing, shown []string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	for key, w := range o.last {
		if len(missing)+len(shown) == mostLooks {
			break
		}
		if w.at.After(began) || !strings.HasPrefix(key, prefix) || key <= after || strings.HasPrefix(key, keyOf(asideFolder)) {
			continue
		}
		_, is := slices.BinarySearchFunc(listed, key, func(i storage.Info, key string) int { return strings.Compare(keyOf(i.Name), key) })
		switch {
		case w.is && !is:
			missing = append(missing, key)
		case !w.is && is:
			shown = append(shown, key)
		}
	}
	return missing, shown
}

// wrote does what puts or removes an object, and notes it.
func (s *Storage) wrote(key string, is bool, do func() error) error {
	s.own.forget(key)
	err := do()
	if err == nil {
		s.own.done(key, is)
	}
	return err
}

// late says, once, that the store shows what was a while ago.
func (s *Storage) late() {
	if !s.wasLate.Swap(true) && s.onLate != nil {
		s.onLate()
	}
}

// shown does what asks for an object, and again where that is not found though it was put just now.
func (s *Storage) shown(ctx context.Context, key string, ask func() error) error {
	lacked := false
	for pause, until := firstPause, time.Now().Add(latePatience); ; pause = min(2*pause, longestPause) {
		err := ask()
		if err == nil && lacked {
			s.late()
		}
		if !errors.Is(explain(err), storage.ErrNotFound) || !s.own.fresh(key) {
			return err
		}
		if lacked = true; time.Now().After(until) {
			s.late()
			return ErrLate
		}
		if err := rest(ctx, pause); err != nil {
			return err
		}
	}
}

// upToDate does what lists objects, and again where the list lacks what this storage put, or has what it removed. What is not found by
// its name either may have been removed by others, if that goes on.
func (s *Storage) upToDate(ctx context.Context, prefix, after string, list func() ([]storage.Info, error)) ([]storage.Info, error) {
	var doubted []string
	for pause, until := firstPause, time.Now().Add(latePatience); ; pause = min(2*pause, longestPause) {
		began := time.Now()
		infos, err := list()
		if err != nil {
			return nil, err
		}
		late, doubtful, err := s.isLate(ctx, prefix, after, began, infos)
		if err != nil {
			return nil, err
		}
		if late || slices.ContainsFunc(doubted, func(key string) bool { return s.lists(infos, key) }) { // it came after all
			s.late()
		}
		over := time.Now().After(until)
		switch {
		case late && over:
			return nil, ErrLate
		case !late && (over || len(doubtful) == 0):
			s.own.forget(doubtful...)
			return infos, nil
		}
		doubted = doubtful
		if err := rest(ctx, pause); err != nil {
			return nil, err
		}
	}
}

// lists tells whether a list has an object.
func (s *Storage) lists(infos []storage.Info, key string) bool {
	_, is := slices.BinarySearchFunc(infos, key, func(i storage.Info, key string) int { return strings.Compare(s.key(i.Name), key) })
	return is
}

// isLate tells whether a list is belied by what is found by its name, and gives what was put just now and is nowhere. All else others may
// have removed, or put again.
func (s *Storage) isLate(ctx context.Context, prefix, after string, began time.Time, infos []storage.Info) (late bool, doubtful []string, err error) {
	missing, shown := s.own.against(prefix, after, began, infos, s.key)
	for i, key := range slices.Concat(missing, shown) {
		_, err := s.head(ctx, key)
		is, lacks := err == nil, i < len(missing)
		if !is && !errors.Is(explain(err), storage.ErrNotFound) {
			return false, nil, err
		}
		switch {
		case lacks == is:
			return true, nil, nil
		case lacks && s.own.fresh(key):
			doubtful = append(doubtful, key)
		default:
			s.own.forget(key)
		}
	}
	return false, doubtful, nil
}
