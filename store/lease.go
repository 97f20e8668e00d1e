package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Times of leases. FORMAT.md, section 10, argues why they are safe.
const (
	leaseLife  = 30 * time.Minute // a lease that was not renewed for so long is dead
	leaseRenew = 5 * time.Minute
	leaseRetry = time.Minute // when renewing failed
	// clockSlack is how coarse and late the times of a medium may be.
	clockSlack = 5 * time.Second
	// listingLag is how long a machine may take to see what another one did in a
	// folder: NFS keeps what it knows of a folder for up to 60 s (nfs(5), acdirmax).
	listingLag = time.Minute
	// settleTime is how long it takes until whoever did not see a new object in time
	// has been seen in turn.
	settleTime = 2 * listingLag
)

// lease shows that a writer is alive: whoever reclaims space waits for it.
type lease struct {
	r      *Repository
	id     string
	record format.LeaseRecord
	stop   context.CancelFunc
	done   chan struct{}

	mu      sync.Mutex
	number  int       // of the last renewal
	at      time.Time // of the last renewal, by the medium's clock
	local   time.Time // just before that, by ours
	lapsed  bool      // it was not renewed in time, so that others may have taken it for dead
	garbage []string  // renewals that could not be removed
}

// takeLease puts a lease and keeps it alive until end is called.
func (r *Repository) takeLease(ctx context.Context, work, host, about string) (*lease, error) {
	l := &lease{
		r: r, done: make(chan struct{}),
		record: format.LeaseRecord{Began: time.Now().UTC().Truncate(time.Millisecond), Host: host, Work: work, About: about, Process: thisProcess()},
	}
	for {
		l.id = names.NewLease()
		err := l.put(ctx, 0)
		if err == nil {
			break
		}
		if !errors.Is(err, storage.ErrNotFound) {
			return nil, err
		}
		// It slept after putting it, and was taken for dead.
	}
	ctx, l.stop = context.WithCancel(context.WithoutCancel(ctx))
	go l.keep(ctx)
	return l, nil
}

// put writes the lease or a renewal of it, and learns the medium's time.
func (l *lease) put(ctx context.Context, number int) error {
	before := time.Now()
	name := names.Lease(l.id, number)
	if err := vault.PutMark(ctx, l.r.vault, format.Lease, name, &l.record); err != nil {
		return err
	}
	info, err := l.r.storage.Stat(ctx, name)
	if err != nil {
		return err
	}
	l.number, l.at, l.local = number, info.Modified, before
	return nil
}

// keep renews the lease until ctx ends.
func (l *lease) keep(ctx context.Context) {
	defer close(l.done)
	wait := leaseRenew
	for {
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
		wait = leaseRenew
		if l.renew(ctx) != nil {
			wait = leaseRetry
		}
	}
}

// renew replaces the last renewal. The first mark stays: its time tells when the
// lease began.
func (l *lease) renew(ctx context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	before, number := l.at, l.number
	if err := l.put(ctx, number+1); err != nil {
		// The name may be taken all the same; the next try takes another.
		l.garbage = append(l.garbage, names.Lease(l.id, number+1))
		l.number = number + 1
		return err
	}
	if l.at.Sub(before) > leaseLife/2 {
		l.lapsed = true
	}
	if number > 0 {
		l.remove(ctx, names.Lease(l.id, number))
	}
	return nil
}

func (l *lease) remove(ctx context.Context, name string) {
	if err := l.r.storage.Remove(ctx, name); err != nil && !errors.Is(err, storage.ErrNotFound) {
		l.garbage = append(l.garbage, name)
	}
}

// confirm makes sure that nobody can have taken the lease for dead so far, and
// that nobody will within half its life. It gives false for a lease that lapsed.
func (l *lease) confirm(ctx context.Context) (bool, error) {
	if l.sinceRenewal() >= leaseRenew {
		err := l.renew(ctx)
		if errors.Is(err, storage.ErrNotFound) {
			return false, nil // it was taken for dead already
		}
		if err != nil {
			return false, err
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return !l.lapsed, nil
}

// check is confirm for those to whom a lease that lapsed is the end.
func (l *lease) check(ctx context.Context) error {
	alive, err := l.confirm(ctx)
	if err == nil && !alive {
		err = errOvertaken
	}
	return err
}

// sinceRenewal tells how long ago the last renewal was sent. A machine that slept
// shows in its wall clock only.
func (l *lease) sinceRenewal() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	return max(now.Sub(l.local), now.Round(0).Sub(l.local.Round(0)))
}

// now gives the medium's present time, at the earliest.
func (l *lease) now() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at.Add(time.Since(l.local) - clockSlack)
}

// leaveTime bounds how long somebody who is done tries to remove a lease: it
// dies by itself.
const leaveTime = 3 * time.Second

// end removes the lease. What can't be removed dies by itself.
func (l *lease) end(ctx context.Context) {
	l.stop()
	<-l.done
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), leaveTime)
	defer cancel()
	for _, name := range l.garbage {
		l.r.storage.Remove(ctx, name)
	}
	if l.number > 0 {
		l.r.storage.Remove(ctx, names.Lease(l.id, l.number))
	}
	l.r.storage.Remove(ctx, names.Lease(l.id, 0))
}

// writer is somebody who is at work in the repository, as a lease shows.
type writer struct {
	Host, Work, About string
	Began, Seen       time.Time // by the medium's clock
	Alive             bool      // else the writer stopped without a word

	lease  string
	marks  []storage.Info
	unread bool // its lease can't be read
}

// writers gives who is at work, by when they began, at a time of the medium.
func (r *Repository) writersAt(ctx context.Context, now time.Time) ([]writer, error) {
	infos, err := r.vault.ListMarks(ctx, names.Leases)
	if err != nil {
		return nil, err
	}
	byLease := make(map[string]*writer)
	for _, info := range infos {
		id, renewal, err := names.ParseLease(info.Name)
		if err != nil {
			continue // not ours
		}
		w := byLease[id]
		if w == nil {
			w = &writer{lease: id}
			byLease[id] = w
		}
		w.marks = append(w.marks, info)
		if renewal == 0 {
			w.Began = info.Modified
		}
		if info.Modified.After(w.Seen) {
			w.Seen = info.Modified
		}
	}
	var writers []writer
	for _, w := range byLease {
		w.Alive = now.Sub(w.Seen) < leaseLife+clockSlack
		if err := r.readWriter(ctx, w); err != nil {
			return nil, err
		}
		writers = append(writers, *w)
	}
	slices.SortFunc(writers, func(a, b writer) int { return cmp.Or(a.Began.Compare(b.Began), cmp.Compare(a.lease, b.lease)) })
	return writers, nil
}

// others gives the writers at work but the one whose lease is given.
func (r *Repository) others(ctx context.Context, l *lease) ([]writer, error) {
	writers, err := r.writersAt(ctx, l.now())
	return slices.DeleteFunc(writers, func(w writer) bool { return !w.Alive || w.lease == l.id }), err
}

// earliest tells when the first of the writers began; zero if there is none.
func earliest(writers []writer) (first time.Time) {
	for _, w := range writers {
		if first.IsZero() || w.began().Before(first) {
			first = w.began()
		}
	}
	return first
}

// began tells when a writer began at the latest. Without the first mark of its lease
// that isn't known.
func (w *writer) began() time.Time {
	if w.Began.IsZero() {
		return time.Unix(0, 0)
	}
	return w.Began
}

// readWriter reads what one of the marks of a lease says. One that can't be read
// counts for its time all the same.
func (r *Repository) readWriter(ctx context.Context, w *writer) error {
	w.unread = true
	for _, info := range w.marks {
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
func (w writer) String() string {
	s := w.Work
	if w.unread {
		s = unreadWork
	}
	if w.About != "" {
		s += " of " + w.About
	}
	if w.Host != "" {
		s += " on " + w.Host
	}
	return fmt.Sprintf("%s, since %s", s, w.Began.UTC().Format(time.RFC3339))
}
