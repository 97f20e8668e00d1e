package take

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// lacking are slabs that captures need, and that a session did not find or could not read. Its zero value has none; its methods may be
// called concurrently.
type lacking struct {
	mu    sync.Mutex
	slabs map[format.SlabID]bool
}

func (l *lacking) add(slabs ...format.SlabID) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, id := range slabs {
		if l.slabs == nil {
			l.slabs = make(map[format.SlabID]bool)
		}
		l.slabs[id] = true
	}
}

// noting reads chunks of the capture before, and notes which slab can't be read.
func (l *lacking) noting(read func(context.Context, format.SlabID, uint32) (intake.Old, error)) func(context.Context, format.SlabID, uint32) (intake.Old, error) {
	return func(ctx context.Context, id format.SlabID, chunk uint32) (intake.Old, error) {
		old, err := read(ctx, id, chunk)
		l.note(err)
		return old, err
	}
}

// note notes the slab that an error of reading is about: of those that stand on each other, the lowest.
func (l *lacking) note(err error) {
	var at *fetch.SlabError
	if !vault.IsDamage(err) || !errors.As(err, &at) {
		return
	}
	for below := at; errors.As(below.Err, &below); {
		at = below
	}
	l.add(at.Slab)
}

// tellLacking tells of slabs that are gone, and leaves that in the repository as what verifying found: a capture noticed
// what its own data does not show. A listing may lag, so each is asked for.
func (s *session) tellLacking(ctx context.Context) (notes []string) {
	s.lacking.add(s.lacks()...)
	var gone []string
	for id := range s.lacking.slabs {
		if _, err := s.r.storage.Stat(ctx, names.Slab(id)); errors.Is(err, storage.ErrNotFound) {
			gone = append(gone, names.Slab(id))
		}
	}
	if len(gone) == 0 {
		return nil
	}
	slices.Sort(gone)
	if !s.harmTold {
		found := &format.VerificationRecord{Ended: time.Now().UTC(), Host: s.o.Host, Extent: format.ExtentListed, Captures: 1, Damaged: uint64(len(gone)), Some: true}
		if err := s.r.ledger.PutVerification(ctx, found); err != nil {
			notes = append(notes, fmt.Sprintf("that damage was found is not kept in the repository: %v", err))
		}
	}
	return append(notes, fmt.Sprintf("%s is gone, which earlier captures need: verifying tells what is lost with it; captures do not rely on it from now on", names.Shortened(gone, names.Most)))
}
