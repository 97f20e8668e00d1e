package take

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// lacking are slabs that captures need, and that a session did not find or could not read. Its zero value has none; its methods may be
// called concurrently.
type lacking struct {
	mu    sync.Mutex
	slabs map[format.SlabID]bool
	named map[format.SlabID]bool // that the capture before needs, found or not
}

func (l *lacking) add(id format.SlabID) { l.put(&l.slabs, id) }

func (l *lacking) name(id format.SlabID) { l.put(&l.named, id) }

func (l *lacking) put(to *map[format.SlabID]bool, id format.SlabID) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if *to == nil {
		*to = make(map[format.SlabID]bool)
	}
	(*to)[id] = true
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

// nameNeeded notes a slab that the capture before needs, where no note tells what that is.
func (s *session) nameNeeded(id format.SlabID) {
	if s.looksBack {
		s.lacking.name(id)
	}
}

// tellLacking tells of slabs that are gone or cut short, and leaves that in the repository as what verifying found: a capture
// noticed what its own data does not show. A listing may lag, so each is asked for.
func (s *session) tellLacking(ctx context.Context) (notes []string) {
	gone, cut := s.harmed(ctx)
	if len(gone)+len(cut) == 0 {
		return nil
	}
	if !s.harmTold {
		found := &format.VerificationRecord{Ended: time.Now().UTC(), Host: s.o.Host, Extent: format.ExtentListed, Captures: 1, Damaged: uint64(len(gone) + len(cut)), Some: true}
		if err := s.r.ledger.PutVerification(ctx, found); err != nil {
			notes = append(notes, fmt.Sprintf("that damage was found is not kept in the repository: %v", err))
		}
	}
	for _, h := range []struct {
		slabs []string
		how   string
	}{{gone, "is gone"}, {cut, "is of another length than it was stored with"}} {
		if len(h.slabs) > 0 {
			slices.Sort(h.slabs)
			notes = append(notes, fmt.Sprintf("%s %s, which earlier captures need: verifying tells what is lost with it; captures do not rely on it from now on", names.Shortened(h.slabs, names.Most), h.how))
		}
	}
	return notes
}

// harmed gives the names of slabs that captures need and that are gone, or of another length than tables say.
func (s *session) harmed(ctx context.Context) (gone, cut []string) {
	named, unread := slices.Collect(maps.Keys(s.lacking.named)), slices.Collect(maps.Keys(s.lacking.slabs))
	lacks := make(map[format.SlabID]*stock.Loaded)
	for _, loaded := range []*stock.Loaded{s.loaded, s.rest} {
		if loaded == nil {
			continue
		}
		for _, id := range loaded.Lacks(named, unread) {
			lacks[id] = loaded
		}
	}
	for id, loaded := range lacks {
		said, listed := loaded.LengthSaid(id)
		switch info, err := s.r.storage.Stat(ctx, names.Slab(id)); {
		case errors.Is(err, storage.ErrNotFound):
			gone = append(gone, names.Slab(id))
		case err == nil && listed && uint64(info.Size) != said:
			cut = append(cut, names.Slab(id))
		}
	}
	return gone, cut
}
