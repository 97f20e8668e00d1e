package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Writer is somebody who is at work in the repository, as a lease shows.
type Writer struct {
	Host  string    `json:"host"`
	Work  string    `json:"work"`            // what the writer does: capture, reclaim, mark, repair, replicate
	About string    `json:"about,omitempty"` // the name of the service
	Began time.Time `json:"began,omitzero"`  // by the medium's clock, as all times here; zero: not known, as the lease lost its first mark
	Seen  time.Time `json:"seen"`            // the last sign of life
	Alive bool      `json:"alive"`           // else the writer stopped without a word
	// Guessed tells that the medium can't be asked for its time, as where it is mounted
	// read-only: Alive goes by this machine's clock.
	Guessed bool `json:"by_local_clock,omitempty"`

	text string // for people
}

// Lapses gives when the writer counts as stopped, by the medium's clock, unless it gives another sign of life before: who was killed on
// another machine, or may not remove its lease, counts until then.
func (w Writer) Lapses() time.Time { return w.Seen.Add(lease.Life + lease.ClockSlack) }

// String names the writer for people.
func (w Writer) String() string { return w.text }

func givenWriter(w lease.Writer) Writer {
	return Writer{Host: w.Host, Work: w.Work, About: w.About, Began: w.Began, Seen: w.Seen, Alive: w.Alive, text: w.String()}
}

func givenWriters(all []lease.Writer) (given []Writer) {
	for _, w := range all {
		given = append(given, givenWriter(w))
	}
	return given
}

// BusyError is [ErrBusy] with who is at it.
type BusyError struct{ Writer Writer }

func (e *BusyError) Error() string { return fmt.Sprintf("%v: %s", ErrBusy, e.Writer) }

func (e *BusyError) Unwrap() error { return ErrBusy }

// giveBusy puts a BusyError in the place of what a room says of who is at it.
func giveBusy(err *error) {
	var busy *lease.BusyError
	if errors.As(*err, &busy) {
		*err = &BusyError{givenWriter(busy.Writer)}
	}
}

// Writers lists who is at work, by when they began. A writer that was killed
// shows as alive until its lease is dead, 30 minutes after its last sign of life, but
// on the same machine at once as not alive; and then until space is reclaimed.
func (r *Repository) Writers(ctx context.Context) (all []Writer, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	now, guessed, err := r.leases.Now(ctx)
	if err != nil {
		return nil, err
	}
	writers, err := r.leases.Writers(ctx, now)
	all = givenWriters(writers)
	for i := range all {
		all[i].Guessed = guessed
	}
	return all, err
}
