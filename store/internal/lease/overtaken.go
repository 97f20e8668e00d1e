package lease

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// A clock that jumps makes a lease look dead that is not. So whoever has put an index
// file or a mark looks afterwards whether somebody went on without it: whoever reclaims
// leaves its final marks until it has removed the leases that it took for dead. See
// FORMAT.md, section 10.

// CheckAfter gives ErrOvertaken where a final mark is a threat, or the lease was removed
// as that of somebody dead. The order counts: the lease goes before the final mark does.
func (l *Lease) CheckAfter(ctx context.Context, threat func(*ledger.Batch) bool) error {
	going, err := l.r.ledger.ReadStages(ctx, names.Final)
	if err != nil {
		return err
	}
	if going.Threatens(threat) {
		return ErrOvertaken
	}
	return l.checkThere(ctx)
}

// checkThere gives ErrOvertaken where the lease was removed, or does not show.
func (l *Lease) checkThere(ctx context.Context) error {
	// Renewals have other names: the first one stays as long as the lease.
	_, err := l.r.storage.Stat(ctx, names.Lease(l.ID, 0))
	switch {
	case errors.Is(err, storage.ErrNotFound):
		return fmt.Errorf("%s was removed: %w", names.Lease(l.ID, 0), ErrOvertaken)
	case errors.Is(err, storage.ErrLate): // in its first minute; whoever looks for leases may not see it either
		return fmt.Errorf("%s was removed, or does not show: %w (%w)", names.Lease(l.ID, 0), ErrOvertaken, err)
	}
	return err
}

// Explain gives ErrOvertaken in the place of what was met under the lease, where something was not as it should be and the lease
// was removed as that of somebody dead: whoever went on without it may have removed what it still counted on.
func (l *Lease) Explain(ctx context.Context, met error) error {
	if errors.Is(met, format.ErrDamaged) || errors.Is(met, storage.ErrNotFound) {
		if err := l.checkThere(ctx); errors.Is(err, ErrOvertaken) {
			return err
		}
	}
	return met
}

// CheckMarked makes sure, once marks of captures are there, that none of these is being
// removed by somebody who took the lease for dead. One that can't be read may name any.
func (l *Lease) CheckMarked(ctx context.Context, ids []string, before *ledger.Batches) error {
	known, _ := before.Finals()
	return l.CheckAfter(ctx, func(f *ledger.Batch) bool {
		if f.Record == nil {
			return !known[f.Info.Name]
		}
		return slices.ContainsFunc(f.Record.Captures, func(id string) bool { return slices.Contains(ids, id) })
	})
}

// Waiting for whoever went on without it.
const (
	overtakenPoll = 5 * time.Second
	overtakenTime = 10 * time.Minute
)

// Rewriting are generations of index files that were put in the place of others.
type Rewriting struct {
	lease *Lease
	uses  map[format.SlabID]bool // slabs that only they may need
	known map[string]bool        // final marks that there were before
	files []string
}

// Follow begins to follow generations that are put under the lease: uses are slabs that only
// they may need, and known the final marks that there were before.
func (l *Lease) Follow(uses map[format.SlabID]bool, known map[string]bool) *Rewriting {
	return &Rewriting{lease: l, uses: uses, known: known}
}

// Add notes that an index file is about to be put.
func (w *Rewriting) Add(name string) { w.files = append(w.files, name) }

// Check makes sure that nobody removes what the new generations need. A generation
// whose slab is gone is taken back: who removed that did not see it, so that the one
// before still counts to him and is whole. As long as all slabs are there it can't be
// told whether he saw it, and removed the one before: then it waits until he is done.
func (w *Rewriting) Check(ctx context.Context) error {
	if len(w.files) == 0 {
		return nil
	}
	for until := time.Now().Add(overtakenTime); ; {
		err := w.lease.CheckAfter(ctx, w.threat)
		if !errors.Is(err, ErrOvertaken) {
			return err
		}
		slabs, listing := w.lease.r.vault.ListSlabs(ctx)
		if listing != nil {
			return listing
		}
		for id := range w.uses {
			if _, ok := slabs.Find(id); !ok {
				return errors.Join(fmt.Errorf("%s: %w", names.Slab(id), err), w.takeBack(ctx))
			}
		}
		going, reading := w.lease.r.ledger.ReadStages(ctx, names.Final)
		if reading != nil {
			return reading
		}
		if !going.Threatens(w.threat) || time.Now().After(until) {
			return err // whoever it was is done, or can't be waited for; all is there
		}
		if err := Pause(ctx, overtakenPoll); err != nil {
			return err
		}
	}
}

func (w *Rewriting) threat(f *ledger.Batch) bool {
	if f.Record == nil {
		return !w.known[f.Info.Name]
	}
	return slices.ContainsFunc(f.Record.Slabs, func(id format.SlabID) bool { return w.uses[id] })
}

func (w *Rewriting) takeBack(ctx context.Context) (err error) {
	for _, name := range w.files {
		if e := w.lease.r.storage.Remove(ctx, name); e != nil && !errors.Is(e, storage.ErrNotFound) {
			err = errors.Join(err, e)
		}
	}
	return err
}

// Pause waits for a time, or until ctx ends.
func Pause(ctx context.Context, d time.Duration) error {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
