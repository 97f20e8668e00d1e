package store

import (
	"context"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/reclaim"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Freed says what would come free without some captures.
type Freed struct {
	Bytes int64 `json:"freed_bytes"`
	// MayStay tells that reclaiming may leave all of that but index files where ReclaimOptions.MinDead is 0: with what else no capture
	// needs it would be no more than it leaves in slabs that are needed in part.
	MayStay bool `json:"may_stay,omitempty"`
	// Unread are the ids of captures whose index files can't be read: what they need counts as nobody's, so that less comes free
	// than Bytes.
	Unread []string `json:"unread,omitempty"`
	// InPart are the ids of captures, going or not, that are not counted in full, as [Usage] has them: what they would list counts as nobody's.
	InPart []string `json:"in_part,omitempty"`
}

// FreedBy tells how many bytes would come free if all captures of these ids were removed
// together: their index files, and the chunks that no other capture keeps. It counts as
// CaptureUsage.Alone and Cost.Alone do: of one capture it is that, and of several it is at least their
// sum, as what only they share comes free with the last of them. Retired captures keep
// nothing from coming free; what they alone keep counts where their own ids are given. It
// is what Usage.Reclaimable would grow by if captures that are not were retired.
//
// [Repository.Reclaim] frees about as much: tables, padding and what else lies beside chunks come on top,
// and of a slab that is still needed in part, only what is worth moving the rest for
// (ReclaimOptions.MinDead). Where captures rest on each other by deltas it is a rough guess: what rests on what goes is stored anew, as
// more or as less. ReclaimOptions.DryRun reckons with that.
//
// It reads what Usage reads, in one pass however many ids there are, and takes as much
// memory. An id counts once; no ids free nothing. It fails with [ErrNotFound] for an id that is not
// that of a capture, in full, and with a *[DamagedError] for that of one whose index file can't be read. Where other index
// files can't be read, or some of a capture's chunks can't be found, it gives what can be counted, and the errors of [Repository.Usage].
func (r *Repository) FreedBy(ctx context.Context, ids []string) (f *Freed, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	l, err := r.List(ctx)
	if err != nil {
		return nil, err
	}
	going, err := l.findAll(ids)
	if err != nil {
		return nil, err
	}
	freed, err := r.scales.FreedBy(ctx, inner(l.Captures), going)
	if err != nil {
		return nil, err
	}
	f = &Freed{Bytes: freed.Bytes, MayStay: freed.Bytes > 0 && reclaim.MayStay(freed.Dead, freed.Slabs)}
	f.Unread, f.InPart, err = l.gaps(freed.InPart)
	return f, err
}

// findAll gives the set of ids, all of which must be those of captures that can be read.
func (l *Listing) findAll(ids []string) (map[string]bool, error) {
	there := make(map[string]bool, len(l.Captures))
	for _, c := range l.Captures {
		there[c.ID] = true
	}
	found := make(map[string]bool, len(ids))
	for _, id := range ids {
		if l.Damage != nil && slices.Contains(l.Damage.Captures, id) {
			return nil, l.damageOf([]string{id})
		}
		if !there[id] {
			return nil, fmt.Errorf("capture %q: %w", id, ErrNotFound)
		}
		found[id] = true
	}
	return found, nil
}
