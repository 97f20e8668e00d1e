package store

import (
	"context"
	"errors"
	"slices"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// DamagedError says that the index files of some captures can't be read. It wraps
// [ErrDamaged], or [ErrUnknownFormat] where a newer release wrote them.
type DamagedError struct {
	Captures []string // their ids, sorted
	// Earlier are the ids of captures that can be read by an earlier index file alone, sorted: what was amended since is
	// not known, and Repair tells what can be done. They are in Listing.Captures.
	Earlier []string
	Err     error // what is wrong with each index file: see DamagedObjects
}

func (e *DamagedError) Error() string { return e.Err.Error() }

func (e *DamagedError) Unwrap() error { return e.Err }

// Listing is what captures there are. It does not change.
type Listing struct {
	// Captures are those that can be read, oldest first, retired ones too.
	Captures []*Capture
	// Damage is about index files that can't be read; nil: all can. A capture of which
	// another generation of its index file can be read is among Captures, and is
	// named by Damage.Earlier.
	Damage *DamagedError

	unread []*Capture // the captures of Damage: their ids, and how they stand
}

// List lists the captures, and says which can't be read: that is no error here.
func (r *Repository) List(ctx context.Context) (l *Listing, err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(ctx); err != nil {
		return nil, err
	}
	captures, damage, err := r.ledger.ReadAll(ctx)
	if err != nil {
		return nil, err
	}
	s, err := r.ledger.ReadStanding(ctx)
	if err != nil {
		return nil, err
	}
	rehearsed, err := r.ledger.ReadRehearsals(ctx)
	if err != nil {
		return nil, err
	}
	s.Apply(captures)
	rehearsed.Apply(captures)
	l = &Listing{}
	for _, c := range captures {
		l.Captures = append(l.Captures, r.given(c))
	}
	if len(damage) == 0 {
		return l, nil
	}
	l.Damage = &DamagedError{Err: ledger.JoinDamage(damage)}
	l.Damage.Captures, l.Damage.Earlier = unreadIDs(captures, damage)
	for _, id := range l.Damage.Captures {
		l.unread = append(l.unread, &Capture{ID: id, unread: true, Taken: names.Time(id), Held: s.Held(id), Retired: (*Retirement)(s.Retirement(id))})
	}
	return l, nil
}

// unreadIDs gives the ids of captures of which only damaged index files are there, and of those that an earlier one tells of.
func unreadIDs(captures []*ledger.Capture, damage []error) (unread, earlier []string) {
	read := make(map[string]bool)
	for _, c := range captures {
		read[c.ID] = true
	}
	unread = []string{}
	for _, err := range damage {
		switch id := captureOf(err); {
		case id == "":
		case read[id]:
			earlier = append(earlier, id)
		default:
			unread = append(unread, id)
		}
	}
	slices.Sort(unread)
	slices.Sort(earlier)
	return slices.Compact(unread), slices.Compact(earlier)
}

// captureOf gives the id of the capture whose index file an error is about, or "".
func captureOf(err error) string {
	var object *ObjectError
	if !errors.As(err, &object) {
		return ""
	}
	id, _, _ := names.ParseCapture(object.Object)
	return id
}

// err gives Damage as an error.
func (l *Listing) err() error {
	if l.Damage == nil {
		return nil
	}
	return l.Damage
}

// Find gives the capture that a selector means, as [Repository.Find] does.
func (l *Listing) Find(selector string) (*Capture, error) {
	return l.Choose(selector, ChooseOptions{})
}

// FindRetired is [Repository.Find] among the retired captures alone, as if they were not retired: the
// latest of them is found by that, too.
func (l *Listing) FindRetired(selector string) (*Capture, error) {
	return l.Choose(selector, ChooseOptions{Retired: true})
}

// notRetired gives copies of those that are retired which don't say so.
func notRetired(all []*Capture) (copies []*Capture) {
	for _, c := range all {
		if c.Retired != nil {
			other := *c
			other.Retired = nil
			copies = append(copies, &other)
		}
	}
	return copies
}

// damageOf gives Damage of these captures alone.
func (l *Listing) damageOf(ids []string) *DamagedError {
	var some []error
	for _, err := range l.Damage.Err.(ledger.ManyDamaged) {
		if slices.Contains(ids, captureOf(err)) {
			some = append(some, err)
		}
	}
	return &DamagedError{Captures: ids, Err: ledger.JoinDamage(some)}
}
