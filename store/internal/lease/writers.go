package lease

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Writer is somebody who is at work in the repository, as a lease shows.
type Writer struct {
	Host, Work, About string
	Began, Seen       time.Time // by the medium's clock
	Alive             bool      // else the writer stopped without a word

	Lease  string
	Marks  []storage.Info
	unread bool // its lease can't be read
}

// Writers gives who is at work, by when they began, at a time of the medium.
func (r *Leases) Writers(ctx context.Context, now time.Time) ([]Writer, error) {
	writers, err := r.list(ctx, now)
	if err != nil {
		return nil, err
	}
	for i := range writers {
		if err := r.readWriter(ctx, &writers[i]); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(writers, func(a, b Writer) int { return cmp.Or(a.Began.Compare(b.Began), cmp.Compare(a.Lease, b.Lease)) })
	return writers, nil
}

// list is Writers by the names and times of leases alone: what they say is not read.
func (r *Leases) list(ctx context.Context, now time.Time) (writers []Writer, err error) {
	infos, err := r.vault.ListMarks(ctx, names.Leases)
	if err != nil {
		return nil, err
	}
	return writersOf(infos, now), nil
}

// writersOf gives the writers whose marks are listed.
func writersOf(infos []storage.Info, now time.Time) (writers []Writer) {
	at := make(map[string]int)
	for _, info := range infos {
		id, renewal, err := names.ParseLease(info.Name)
		if err != nil {
			continue // not ours
		}
		i, ok := at[id]
		if !ok {
			i = len(writers)
			at[id], writers = i, append(writers, Writer{Lease: id})
		}
		w := &writers[i]
		w.Marks = append(w.Marks, info)
		if renewal == 0 {
			w.Began = info.Modified
		}
		if info.Modified.After(w.Seen) {
			w.Seen = info.Modified
		}
	}
	for i := range writers {
		writers[i].Alive = now.Sub(writers[i].Seen) < Life+ClockSlack
	}
	return writers
}

// SomeLeft tells whether some other writer stopped without a word, whose lease is still there, or was when l was taken by
// TakeLooking. It reads leases of this machine alone: of others their times tell all that can be known.
func (r *Leases) SomeLeft(ctx context.Context, l *Lease) (bool, error) {
	writers := writersOf(l.seen, l.Now())
	if l.seen == nil {
		var err error
		if writers, err = r.list(ctx, l.Now()); err != nil {
			return false, err
		}
	}
	for i := range writers {
		w := &writers[i]
		if w.Lease == l.ID {
			continue
		}
		if w.Alive && r.isOwn(w.Lease) {
			if err := r.readWriter(ctx, w); err != nil {
				return false, err
			}
		}
		if !w.Alive {
			return true, nil
		}
	}
	return false, nil
}

// Others gives the writers at work but the one whose lease is given.
func (r *Leases) Others(ctx context.Context, l *Lease) ([]Writer, error) {
	writers, err := r.Writers(ctx, l.Now())
	return slices.DeleteFunc(writers, func(w Writer) bool { return !w.Alive || w.Lease == l.ID }), err
}

// Earliest tells when the first of the writers began; zero if there is none.
func Earliest(writers []Writer) (first time.Time) {
	for _, w := range writers {
		if first.IsZero() || w.Start().Before(first) {
			first = w.Start()
		}
	}
	return first
}

// Start tells when a writer began at the latest. Without the first mark of its lease
// that isn't known.
func (w *Writer) Start() time.Time {
	if w.Began.IsZero() {
		return time.Unix(0, 0)
	}
	return w.Began
}

// readWriter reads what one of the marks of a lease says. One that can't be read
// counts for its time all the same.
func (r *Leases) readWriter(ctx context.Context, w *Writer) error {
	w.unread = true
	for _, info := range w.Marks {
		record, err := vault.ReadMark[format.LeaseRecord](ctx, r.vault, format.Lease, info)
		if err == nil {
			w.Host, w.Work, w.About, w.unread = record.Host, record.Work, record.About, false
			w.Alive = w.Alive && !hasEnded(record.Process)
			return nil
		}
		if !vault.IsDamage(err) && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
	}
	return nil
}

// unreadWork stands for the work of a writer whose lease can't be read.
const unreadWork = "somebody whose lease can't be read"

// String names the writer for people.
func (w Writer) String() string {
	s := vault.OneLine(w.Work)
	if w.unread {
		s = unreadWork
	}
	if w.About != "" {
		s += " of " + vault.OneLine(w.About)
	}
	if w.Host != "" {
		s += " on " + vault.OneLine(w.Host)
	}
	if w.Began.IsZero() {
		return s + ", since nobody knows when"
	}
	return fmt.Sprintf("%s, since %s", s, w.Began.UTC().Format(time.RFC3339))
}
