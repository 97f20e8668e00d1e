package store

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// StatusOptions say what is asked for, and what is too old.
type StatusOptions struct {
	// Name and Host, if set, leave out the services of all other names, and of all other hosts.
	Name, Host string
	// OlderThan is from which age on the last capture of a service is too old, here and in each of the places that
	// Status.Places has; 0: none is.
	OlderThan time.Duration
	// Now is the time of this machine; zero means time.Now.
	Now time.Time
}

// Status says how a repository is.
type Status struct {
	At       time.Time       // Now of its options
	Services []ServiceStatus // by name and host
	Held     []*Capture      // oldest first
	Retired  []*Capture      // oldest first; each can be taken back until a grace time after it was retired
	Stored   int64           // bytes of all objects
	// Unread are the ids of captures whose index files can't be read, and Missing of those that are missed:
	// that vanished or were exchanged without having been removed by reclaiming. Of the captures'
	// own lists of those that they saw only the latest of each service is read: Verify reads all.
	Unread, Missing []string
	// Earlier are the ids of captures that an earlier index file tells of, as the latest can't be read.
	Earlier []string
	// Own are the marks that say which place of the repository this is, and what its settings are, of which a copy is
	// damaged or gone. Verify tells more.
	Own []string
	// Verified is the latest verification of the whole repository, Full the latest that was full; nil: none is
	// known. None is dated in the future. Damage is one that tells of damage that stands; nil: none does.
	Verified, Full, Damage *Verification
	// Ahead is by how much the medium's newest object is dated after Now, where that is more than
	// ClockTolerance: some clock is wrong. Else 0.
	Ahead time.Duration
	// Places are other places of the repository to which this machine copied captures, as far as it knows.
	Places []PlaceStatus
	// Wanted is what somebody should see to, the worst first; none: all is well.
	Wanted []Want
}

// ServiceStatus says how the captures of one name and host are.
type ServiceStatus struct {
	Name, Host string
	Captures   int // retired ones not counted
	// Last is the newest capture that is not dated in the future; nil: there is none. Age is how long ago
	// it was taken, and never below 0.
	Last *Capture
	Age  time.Duration
	// Shrunk says of which volumes more than half is gone in Last since Before, the capture before it.
	Shrunk []Shrinkage
	Before *Capture
	// Future are captures that are dated after Now, by more than ClockTolerance.
	Future []*Capture
	// Rehearsed is the latest of the captures that were rehearsed, retired ones too, by when that
	// was; nil: none was. A rehearsal that is dated in the future counts only if it failed.
	Rehearsed *Capture
	Held      int
	Retired   int
}

// Status finds out how the repository is: whether captures come as they should, whether what is there is
// known to be whole, what it takes. It reads index files and marks, and no contents; that all is well means that
// nothing is known to be amiss, which [Repository.Verify] and rehearsals make worth something.
// What is dated in the future never counts as fresh.
func (r *Repository) Status(ctx context.Context, o StatusOptions) (s *Status, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	if o.OlderThan < 0 {
		return nil, fmt.Errorf("%w: older than %s", ErrBadOptions, o.OlderThan)
	}
	if o.Now.IsZero() {
		o.Now = time.Now()
	}
	s = &Status{At: o.Now}
	l, err := r.List(ctx)
	if err != nil {
		return nil, err
	}
	if l.Damage != nil {
		s.Unread, s.Earlier = l.Damage.Captures, l.Damage.Earlier
	}
	own, err := r.vault.CheckOwn(ctx)
	if err != nil {
		return nil, err
	}
	for _, d := range own {
		s.Own = append(s.Own, d.Object)
	}
	if s.Missing, err = r.missing(ctx, l); err != nil {
		return nil, err
	}
	asked := slices.DeleteFunc(slices.Clone(l.Captures), func(c *Capture) bool {
		return o.Name != "" && c.Name != o.Name || o.Host != "" && c.Host != o.Host
	})
	s.Services = servicesOf(asked, o.Now)
	for _, c := range asked {
		switch {
		case c.Retired != nil:
			s.Retired = append(s.Retired, c)
		case c.Held:
			s.Held = append(s.Held, c)
		}
	}
	verified, err := r.Verifications(ctx)
	if err != nil {
		return nil, err
	}
	s.tellVerified(verified)
	if err := r.measure(ctx, s); err != nil {
		return nil, err
	}
	s.Places = r.placesOf(asked, o.Now)
	s.Wanted = s.wanted(o)
	return s, nil
}

// future tells whether a time is after now, by more than clocks may differ.
func future(t, now time.Time) bool { return t.Sub(now) > ClockTolerance }

// tellVerified sorts out verifications, the latest of which is the last.
func (s *Status) tellVerified(all []Verification) {
	for i := range all {
		v := &all[i]
		if v.Damaged > 0 {
			s.Damage = v // whatever its time
		}
		if v.Some || future(v.At, s.At) {
			continue
		}
		s.Verified = v
		if v.Extent == VerifiedFull {
			s.Full = v
		}
	}
}

// measure adds up what is stored, and looks whether the medium's clock is ahead.
func (r *Repository) measure(ctx context.Context, s *Status) error {
	objects, err := r.vault.List(ctx, "")
	for _, o := range objects {
		s.Stored += o.Size
		if future(o.Modified, s.At) {
			s.Ahead = max(s.Ahead, o.Modified.Sub(s.At))
		}
	}
	return err
}

// servicesOf sorts captures out by name and host.
func servicesOf(captures []*Capture, now time.Time) []ServiceStatus {
	type key struct{ name, host string }
	groups := make(map[key][]*Capture)
	for _, c := range captures {
		k := key{c.Name, c.Host}
		groups[k] = append(groups[k], c)
	}
	var all []ServiceStatus
	for k, group := range groups {
		s := newServiceStatus(group, now)
		s.Name, s.Host = k.name, k.host
		all = append(all, s)
	}
	slices.SortFunc(all, func(a, b ServiceStatus) int {
		return cmp.Or(cmp.Compare(a.Name, b.Name), cmp.Compare(a.Host, b.Host))
	})
	return all
}

func newServiceStatus(group []*Capture, now time.Time) (s ServiceStatus) {
	slices.SortStableFunc(group, func(a, b *Capture) int {
		return cmp.Or(a.Taken.Compare(b.Taken), a.Written.Compare(b.Written), cmp.Compare(a.ID, b.ID))
	})
	for _, c := range group {
		if r := c.Rehearsed; r != nil && (!r.Outcome.Good() || !future(r.At, now)) {
			if s.Rehearsed == nil || r.At.After(s.Rehearsed.Rehearsed.At) {
				s.Rehearsed = c
			}
		}
		switch {
		case c.Retired != nil:
			s.Retired++
			continue
		case future(c.Taken, now):
			s.Future = append(s.Future, c)
		default:
			s.Before, s.Last = s.Last, c
		}
		s.Captures++
		if c.Held {
			s.Held++
		}
	}
	if s.Last != nil {
		s.Age = max(now.Sub(s.Last.Taken), 0)
		s.Shrunk = s.Last.Shrunk(s.Before)
	}
	return s
}

// Missing gives the ids of captures that are missed, as Status has them: they vanished or were exchanged. l is what is
// there; nil: it is listed. It reads marks, and index files only where l is nil.
func (r *Repository) Missing(ctx context.Context, l *Listing) (ids []string, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	if l == nil {
		if l, err = r.List(ctx); err != nil {
			return nil, err
		}
	}
	return r.missing(ctx, l)
}

// missing finds captures that are missed.
func (r *Repository) missing(ctx context.Context, l *Listing) ([]string, error) {
	files, err := r.vault.List(ctx, names.Captures)
	if err != nil {
		return nil, err
	}
	// Behind the list of files: what went before that is named by now.
	going, err := r.ledger.ReadBatches(ctx)
	if err != nil {
		return nil, err
	}
	standing, err := r.ledger.ReadStanding(ctx)
	if err != nil {
		return nil, err
	}
	gone := going.Departures()
	elsewhere, err := r.ledger.ReadElsewhere(ctx)
	if err != nil {
		return nil, err
	}
	absent := gone.With(elsewhere.Captures)
	vanished, _, err := r.ledger.Vanished(ctx, latestOf(l.Captures), files, absent)
	if err != nil {
		return nil, err
	}
	marked, _, err := r.ledger.Marked(ctx, standing, files, gone)
	if err != nil {
		return nil, err
	}
	lapses, _ := r.ledger.Lapses(files, inner(l.Captures), gone, elsewhere.Captures)
	missing := append(lapses.All(), slices.Collect(maps.Keys(r.ledger.Exchanged(inner(l.Captures), gone)))...)
	missing = slices.AppendSeq(missing, maps.Keys(vanished))
	missing = slices.AppendSeq(missing, maps.Keys(marked))
	slices.Sort(missing)
	return slices.DeleteFunc(slices.Compact(missing), func(id string) bool {
		return l.Damage != nil && slices.Contains(l.Damage.Captures, id)
	}), nil
}

// latestOf gives the capture of each name and host that was written last.
func latestOf(captures []*Capture) (latest []*ledger.Capture) {
	last := make(map[string]*Capture)
	for _, c := range captures {
		k := c.Name + "\x00" + c.Host
		if l := last[k]; l == nil || c.Written.After(l.Written) {
			last[k] = c
		}
	}
	for _, k := range slices.Sorted(maps.Keys(last)) {
		latest = append(latest, last[k].captured)
	}
	return latest
}
