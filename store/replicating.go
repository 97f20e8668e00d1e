package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/remember"
	"github.com/kistarchive/kist/store/internal/replicate"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Errors of two places of a repository.
var (
	// ErrNotReplica is returned by Replicate for a repository that is no other place of this one: its
	// identity or its root key is another one.
	ErrNotReplica = replicate.ErrNotReplica

	// ErrSamePlace is returned by Replicate for a repository that is the same place, or a copy of its
	// files that was not made by CreateReplica and so can't be told from it.
	ErrSamePlace = replicate.ErrSamePlace
)

// ReplicateOptions say what is copied.
type ReplicateOptions struct {
	// Captures are ids of those to copy; none means all that are not retired here and were not
	// removed there. One that is named is copied also if it is retired here, or was removed there once.
	Captures []string
	// DryRun finds out what would be copied, reads no slab, and writes nothing.
	DryRun bool
	// Host is where it is done, and Where names the other place, as by its path: both for people. Where is kept in
	// OpenOptions.State, and given by Status.
	Host, Where string
	// Progress, if set, is called now and then, by one goroutine at a time: with bytes of slabs.
	Progress func(Progress)
}

// Replicated says what [Repository.Replicate] copied, or would copy.
type Replicated struct {
	Sent    []string `json:"sent"`              // ids of the captures that are there now
	Amended []string `json:"amended,omitempty"` // of those that were there, and are amended there by now as here
	Same    int      `json:"same"`              // captures that were there, as they are
	Slabs   int      `json:"slabs"`
	Bytes   int64    `json:"sent_bytes"` // of objects that were put, leases and other marks not counted

	// PutBack are slabs of captures that were there, which were gone there and were sent again.
	PutBack []string `json:"put_back,omitempty"`

	// Left are captures that are not there, on purpose.
	Left []NotSent `json:"not_sent,omitempty"`
	// Differ are captures that are there under the same id with another hash: nothing was done to either.
	Differ []string `json:"differ,omitempty"`
	// Later are captures that need slabs which are just being removed there: once somebody has reclaimed there, they
	// can be copied.
	Later []string `json:"later,omitempty"`
	// Damage is what is missing or is not what was written. What needs it was not copied, or is there and harmed.
	Damage []PlaceDamage `json:"damage,omitempty"`
	Notes  []string      `json:"notes,omitempty"`
}

// NotSent is a capture that was left out, and why, for people.
type NotSent struct {
	ID  string `json:"id"`
	Why string `json:"why"`
}

// PlaceDamage is one thing in one of two places that is missing or is not what was written.
type PlaceDamage struct {
	Object   string   `json:"object"`
	There    bool     `json:"there"` // in the place that captures are copied to; else where they are read
	Problem  string   `json:"problem"`
	Captures []string `json:"captures"` // ids of those that were not copied for it, or are there and lack it
}

// Complete tells whether all that was asked for is there, and as it is here.
func (r *Replicated) Complete() bool { return len(r.Differ)+len(r.Later)+len(r.Damage) == 0 }

// Replicate copies captures to another place of the repository, made by [CreateReplica]: the slabs that they
// need and that are not there, then tables, then the index files, as they are. Each sealed piece is opened as it
// passes, and each chunk hashed; what is damaged is in the report, and captures that need it are not copied, all
// others are. A capture that is there with the same hash is not copied again, whatever moved here since; what was
// amended of it is, and slabs that it needs, if they are gone there and tables there or its index file tell of them. Holds, retirements and what rehearsals and verifications found are not copied: each
// place keeps what it wants, and what was removed there does not come back unless it is named.
//
// It may be stopped at any moment and called again: slabs that arrived are not sent twice. It may run
// beside anything in both places, several times at once too; what reclaiming would remove waits for it in
// both. Where nothing can be written in this place, it reads without a lease, and a note says so. Called
// from each of two places to the other, they come to have the same captures, as far as either wants them.
//
// Its memory is some frames of up to 8 MiB, the tables of 64 slabs, and 4 bytes for each slab of each recipe
// of the captures that are copied.
//
// It fails with [ErrNotReplica] and [ErrSamePlace]; with [ErrNotFound] for a capture that isn't there; with [ErrOvertaken];
// and with what a storage says. What it gives beside an error was copied all the same.
func (r *Repository) Replicate(ctx context.Context, to *Repository, o ReplicateOptions) (out *Replicated, err error) {
	ctx, g := guarded(ctx)
	defer g.finish(&err)
	defer giveBusy(&err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	if to == nil {
		return nil, fmt.Errorf("no repository to copy to: %w", ErrForeign)
	}
	if err := to.open(ctx); err != nil {
		return nil, err
	}
	done, err := replicate.New(r.stock, to.stock).Replicate(ctx, replicate.Options{
		Captures: o.Captures, DryRun: o.DryRun, Host: o.Host, Meter: g.meter("ReplicateOptions.Progress", o.Progress),
	})
	if done == nil {
		return nil, err
	}
	out = givenReplicated(done)
	if err == nil {
		err = to.amendAs(ctx, done.Amend, o, out)
	}
	if err == nil && !o.DryRun {
		watch := r.ledger.Watch()
		watch.Keep(watch.Memory.NotePlace(remember.Place{ID: to.Place(), At: time.Now(), Where: o.Where}))
	}
	return out, err
}

// amendAs amends captures as they are amended in another place.
func (r *Repository) amendAs(ctx context.Context, all []replicate.Amend, o ReplicateOptions, out *Replicated) error {
	for _, a := range all {
		if o.DryRun {
			out.Amended = append(out.Amended, a.ID)
			continue
		}
		_, err := r.keeper.Amend(ctx, a.ID, o.Host, func(f *format.IndexFile) (*format.Amendment, bool) {
			return a.Amendment, f.Amended == nil || a.Amendment.At.After(f.Amended.At)
		})
		switch {
		case err == nil:
			out.Amended = append(out.Amended, a.ID)
		case errors.Is(err, ErrRetired), errors.Is(err, ErrNotFound): // nobody wants it there
		case errors.Is(err, ErrBusy):
			out.Notes = append(out.Notes, fmt.Sprintf("what was amended of capture %s is not there yet: %v", a.ID, err))
		default:
			return err
		}
	}
	return nil
}

func givenReplicated(done *replicate.Report) *Replicated {
	out := &Replicated{Sent: done.Sent, Same: done.Same, Slabs: done.Slabs, Bytes: done.Bytes, Differ: done.Differ, Later: done.Later, Notes: done.Notes, PutBack: done.PutBack}
	if out.Sent == nil {
		out.Sent = []string{}
	}
	for _, l := range done.Left {
		out.Left = append(out.Left, NotSent(l))
	}
	for _, d := range done.Damage {
		problem := vault.ProblemOf(d.Object, d.Err)
		out.Damage = append(out.Damage, PlaceDamage{Object: d.Object, There: d.There, Problem: problem, Captures: slices.Sorted(slices.Values(d.Captures))})
	}
	return out
}
