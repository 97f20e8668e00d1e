package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Errors of retention.
var (
	// ErrHeld is returned by Retire for a capture that is held.
	ErrHeld = errors.New("the capture is held")

	// ErrRetired is returned by Hold for a capture that is retired.
	ErrRetired = errors.New("the capture is retired")

	// ErrTooLate is returned by Reinstate for a capture that is being removed.
	ErrTooLate = errors.New("it is being removed: too late to take it back")
)

// Retirement says when and why a capture was retired.
type Retirement struct {
	At     time.Time `json:"at"` // by the medium's clock, or by that of who retired it where this is later
	Host   string    `json:"host,omitempty"`
	Reason string    `json:"reason,omitempty"`
}

// MarkOptions say who marks captures, and why, in UTF-8 text; anything else is
// ErrBadOptions.
type MarkOptions struct {
	Host   string // where it is done, for people
	Reason string // for people
}

// Hold keeps captures from ever being retired. Holding what is held does
// nothing. It fails with ErrNotFound, or with ErrRetired; then none of them is
// newly held.
func (r *Repository) Hold(ctx context.Context, ids []string, o MarkOptions) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(); err != nil {
		return err
	}
	if err := o.check(); err != nil {
		return err
	}
	return r.underLease(ctx, ids, o.Host, func(l *lease.Lease, s *ledger.Standing, going *ledger.Batches) error {
		for _, id := range ids {
			if s.Retirement(id) != nil || going.Removes(id) {
				return fmt.Errorf("capture %s: %w", id, ErrRetired)
			}
		}
		for _, id := range ids {
			if s.Held(id) {
				continue
			}
			if err := l.Check(ctx); err != nil {
				return err
			}
			if err := vault.PutMark(ctx, r.vault, format.Hold, names.NewHold(id), ledger.NewMarkRecord(o.Host, o.Reason)); err != nil {
				return err
			}
		}
		return l.CheckMarked(ctx, ids, going)
	})
}

// underLease lets do decide on captures by what there is. The lease comes first:
// whoever removes captures either sees it and waits, or has said so before and is
// seen here.
func (r *Repository) underLease(ctx context.Context, ids []string, host string, do func(*lease.Lease, *ledger.Standing, *ledger.Batches) error) error {
	l, err := r.leases.Take(ctx, format.WorkMark, host, "")
	if err != nil {
		return err
	}
	defer l.End(ctx)
	going, err := r.ledger.ReadBatchesOf(ctx, names.Final)
	if err != nil {
		return err
	}
	s, err := r.checkMarkable(ctx, ids)
	if err != nil {
		return err
	}
	return do(l, s, going)
}

// Release ends the holds of captures, each for good: a mark says so, which stays as long
// as the capture. It fails with ErrNotFound.
func (r *Repository) Release(ctx context.Context, ids []string) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(); err != nil {
		return err
	}
	return r.underLease(ctx, ids, "", func(l *lease.Lease, s *ledger.Standing, _ *ledger.Batches) error {
		for _, id := range ids {
			for _, name := range s.MarksOf(names.Holds, id) {
				if err := l.Check(ctx); err != nil {
					return err
				}
				if err := r.ledger.EndMark(ctx, format.Hold, name, ledger.NewMarkRecord("", "")); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// Retire marks captures as no longer wanted. They are not listed from then on,
// and Reclaim removes them once the grace time has passed; until then Reinstate
// takes it back. Retiring what is retired does nothing. It fails with
// ErrNotFound, or with ErrHeld; then none of them is newly retired.
func (r *Repository) Retire(ctx context.Context, ids []string, o MarkOptions) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(); err != nil {
		return err
	}
	if err := o.check(); err != nil {
		return err
	}
	s, err := r.checkMarkable(ctx, ids)
	if err != nil {
		return err
	}
	for _, id := range ids {
		if s.Held(id) {
			return fmt.Errorf("capture %s: %w", id, ErrHeld)
		}
	}
	for _, id := range ids {
		if s.Retirement(id) != nil {
			continue
		}
		if err := vault.PutMark(ctx, r.vault, format.Retired, names.NewRetired(id), ledger.NewMarkRecord(o.Host, o.Reason)); err != nil {
			return err
		}
	}
	return nil
}

// Reinstate takes back that captures were retired, for good: a mark says so, which stays
// as long as the capture. It fails with ErrNotFound, or with ErrTooLate where one is being
// removed; then none is taken back.
func (r *Repository) Reinstate(ctx context.Context, ids []string, o MarkOptions) (err error) {
	defer vault.NoteEnd(ctx, &err)
	if err := r.open(); err != nil {
		return err
	}
	if err := o.check(); err != nil {
		return err
	}
	return r.underLease(ctx, ids, o.Host, func(l *lease.Lease, s *ledger.Standing, going *ledger.Batches) error {
		for _, id := range ids {
			if going.Removes(id) {
				return fmt.Errorf("capture %s: %w", id, ErrTooLate)
			}
		}
		for _, id := range ids {
			for _, name := range s.MarksOf(names.Retired, id) {
				if err := l.Check(ctx); err != nil {
					return err
				}
				if err := r.ledger.EndMark(ctx, format.Retired, name, ledger.NewMarkRecord(o.Host, o.Reason)); err != nil {
					return err
				}
			}
		}
		return l.CheckMarked(ctx, ids, going)
	})
}

// checkMarkable makes sure that captures are there, and gives how all stand. It looks for
// the captures last: their marks go after them.
func (r *Repository) checkMarkable(ctx context.Context, ids []string) (*ledger.Standing, error) {
	s, err := r.ledger.ReadStanding(ctx)
	if err != nil {
		return nil, err
	}
	infos, err := r.storage.List(ctx, names.Captures)
	if err != nil {
		return nil, err
	}
	for _, id := range ids {
		if !slices.ContainsFunc(infos, func(i storage.Info) bool {
			got, _, err := names.ParseCapture(i.Name)
			return err == nil && got == id
		}) {
			return nil, fmt.Errorf("capture %s: %w", id, ErrNotFound)
		}
	}
	return s, nil
}
