package lease

import (
	"context"
	"errors"
	"io/fs"
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
	Life       = 30 * time.Minute // a lease that was not renewed for so long is dead
	leaseRenew = 5 * time.Minute
	leaseRetry = time.Minute // when renewing failed
	leaseTries = 4           // a storage that does not show what was put shows none
	// ClockSlack is how coarse and late the times of a medium may be.
	ClockSlack = 5 * time.Second
	// ListingLag is how long a machine may take to see what another one did in a
	// folder: NFS keeps what it knows of a folder for up to 60 s (nfs(5), acdirmax).
	ListingLag = time.Minute
	// SettleTime is how long it takes until whoever did not see a new object in time
	// has been seen in turn.
	SettleTime = 2 * ListingLag
)

// Lease shows that a writer is alive: whoever reclaims space waits for it.
type Lease struct {
	r      *Leases
	ID     string
	Record format.LeaseRecord
	stop   context.CancelFunc
	done   chan struct{}

	mu      sync.Mutex
	number  int       // of the last renewal
	at      time.Time // of the last renewal, by the medium's clock
	local   time.Time // just before that, by ours
	lapsed  bool      // it was not renewed in time, so that others may have taken it for dead
	garbage []string  // renewals that could not be removed
	denied  bool      // a renewal could not be removed

	refused bool // to be removed, when it was ended

	looks bool           // at all leases, once it has put its own
	seen  []storage.Info // the marks that there were then; nil: it did not look
}

// Take puts a lease and keeps it alive until end is called.
func (r *Leases) Take(ctx context.Context, work, host, about string) (*Lease, error) {
	return r.take(ctx, false, work, host, about)
}

// TakeLooking is Take for who asks SomeLeft. An object store lists all leases in the request that it takes to ask for one: so that
// look is taken here.
func (r *Leases) TakeLooking(ctx context.Context, work, host, about string) (*Lease, error) {
	return r.take(ctx, true, work, host, about)
}

func (r *Leases) take(ctx context.Context, looks bool, work, host, about string) (*Lease, error) {
	l := &Lease{
		r: r, done: make(chan struct{}), looks: looks,
		Record: format.LeaseRecord{Began: time.Now().UTC().Truncate(time.Millisecond), Host: host, Work: work, About: about, Process: thisProcess()},
	}
	for tries := 1; ; tries++ {
		l.ID = names.NewLease()
		r.vault.Copies().Add(ownName(l.ID), []byte(work))
		err := l.put(ctx, 0)
		if err == nil {
			break
		}
		l.takeBack(ctx, err)
		if !errors.Is(err, storage.ErrNotFound) || tries == leaseTries {
			return nil, err
		}
		// It slept after putting it, and was taken for dead.
	}
	ctx, l.stop = context.WithCancel(context.WithoutCancel(ctx))
	go l.keep(ctx)
	return l, nil
}

// takeBack removes a lease that may be there though taking it failed, as where its time could not be asked for: others would wait for
// it until it dies.
func (l *Lease) takeBack(ctx context.Context, taking error) {
	l.r.vault.Copies().Drop(ownName(l.ID))
	if errors.Is(taking, storage.ErrExists) {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), LeaveTime)
	defer cancel()
	l.r.vault.Drop(ctx, names.Lease(l.ID, 0))
}

// put writes the lease or a renewal of it, and learns the medium's time.
func (l *Lease) put(ctx context.Context, number int) error {
	before := time.Now()
	name := names.Lease(l.ID, number)
	if err := vault.PutMark(ctx, l.r.vault, format.Lease, name, &l.Record); err != nil {
		return err
	}
	info, err := l.find(ctx, name)
	if err != nil {
		return err
	}
	l.number, l.at, l.local = number, info.Modified, before
	return nil
}

// find describes a mark of the lease, of which the storage alone knows the time.
func (l *Lease) find(ctx context.Context, name string) (storage.Info, error) {
	lister, ok := l.r.storage.(storage.AfterLister)
	if !l.looks || !ok {
		return l.r.storage.Stat(ctx, name)
	}
	l.looks = false // a renewal asks for itself alone
	infos, err := lister.ListAfter(ctx, names.Leases, "")
	at := slices.IndexFunc(infos, func(i storage.Info) bool { return i.Name == name })
	if err != nil || at < 0 { // whether it is there, Stat tells for sure
		return l.r.storage.Stat(ctx, name)
	}
	l.seen = infos
	return infos[at], nil
}

// keep renews the lease until ctx ends.
func (l *Lease) keep(ctx context.Context) {
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
func (l *Lease) renew(ctx context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	before, number := l.at, l.number
	if err := l.put(ctx, number+1); err != nil {
		// The name may be taken all the same; the next try takes another. Until then what was put before counts.
		l.garbage = append(l.garbage, names.Lease(l.ID, number+1))
		if number > 0 {
			l.garbage = append(l.garbage, names.Lease(l.ID, number))
		}
		l.number = number + 1
		return err
	}
	if l.at.Sub(before) > Life/2 {
		l.lapsed = true
	}
	if number > 0 {
		l.remove(ctx, names.Lease(l.ID, number))
	}
	return nil
}

func (l *Lease) remove(ctx context.Context, name string) {
	if err := l.r.vault.Drop(ctx, name); err != nil {
		l.garbage = append(l.garbage, name)
		l.denied = l.denied || errors.Is(err, fs.ErrPermission)
	}
}

// Removes tells whether the storage lets this user or key remove anything, by renewals that take the place of each other.
func (l *Lease) Removes(ctx context.Context) (bool, error) {
	for range 2 { // the first one may have none to remove
		if err := l.renew(ctx); err != nil {
			return false, err
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	return !l.denied, nil
}

// Confirm makes sure that nobody can have taken the lease for dead so far, and
// that nobody will within half its life. It gives false for a lease that lapsed.
func (l *Lease) Confirm(ctx context.Context) (bool, error) {
	if l.SinceRenewal() >= leaseRenew {
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

// Lapsed tells whether the lease was once not renewed in time.
func (l *Lease) Lapsed() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.lapsed
}

// Check is confirm for those to whom a lease that lapsed is the end.
func (l *Lease) Check(ctx context.Context) error {
	alive, err := l.Confirm(ctx)
	if err == nil && !alive {
		err = ErrOvertaken
	}
	return err
}

// SinceRenewal tells how long ago the last renewal was sent. A machine that slept
// shows in its wall clock only.
func (l *Lease) SinceRenewal() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	return max(now.Sub(l.local), now.Round(0).Sub(l.local.Round(0)))
}

// Now gives the medium's present time, at the earliest.
func (l *Lease) Now() time.Time {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.at.Add(time.Since(l.local) - ClockSlack)
}

// LeaveTime bounds how long somebody who is done tries to remove a lease: it
// dies by itself.
const LeaveTime = 3 * time.Second

// End removes the lease. What can't be removed dies by itself.
func (l *Lease) End(ctx context.Context) {
	l.stop()
	<-l.done
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), LeaveTime)
	defer cancel()
	for _, name := range l.garbage {
		l.r.vault.Drop(ctx, name)
	}
	if l.number > 0 {
		l.r.vault.Drop(ctx, names.Lease(l.ID, l.number))
	}
	l.refused = errors.Is(l.r.vault.Drop(ctx, names.Lease(l.ID, 0)), fs.ErrPermission)
	l.r.vault.Copies().Drop(ownName(l.ID))
}

// Stays tells of a lease that was ended whether the storage refused to remove it.
func (l *Lease) Stays() bool { return l.refused }

// ownName is where it is noted, among the copies, that a lease is of this machine.
func ownName(id string) string { return "leased/" + id }

// isOwn tells whether a lease may be of this machine, where alone a process is known to have ended.
func (r *Leases) isOwn(id string) bool {
	copies := r.vault.Copies()
	file := copies.Reader(ownName(id), -1)
	if file != nil {
		file.Close()
	}
	return copies == nil || file != nil
}
