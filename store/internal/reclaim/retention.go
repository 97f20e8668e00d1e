package reclaim

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Errors of retention.
var (
	// ErrHeld is returned by retire for a capture that is held.
	ErrHeld = errors.New("the capture is held")

	// ErrRetired is returned by hold for a capture that is retired.
	ErrRetired = errors.New("the capture is retired")

	// ErrTooLate is returned by reinstate for a capture that is being removed.
	ErrTooLate = errors.New("it is being removed: too late to take it back")
)

// Hold keeps captures from being retired, unless one of them is.
func (r *Keeper) Hold(ctx context.Context, ids []string, said *format.MarkRecord) error {
	return r.underLease(ctx, ids, said.Host, func(l *lease.Lease, s *ledger.Standing, going *ledger.Batches) error {
		for _, id := range ids {
			if s.Retirement(id) != nil || going.Removes(id) {
				return fmt.Errorf("capture %s: %w", id, ErrRetired)
			}
		}
		for _, id := range ids {
			same, err := r.holdsFor(ctx, s, id, said.Reason)
			if err != nil {
				return err
			}
			if len(same) > 0 {
				continue
			}
			if err := l.Check(ctx); err != nil {
				return err
			}
			if err := vault.PutMark(ctx, r.vault, format.Hold, names.NewHold(id), said); err != nil {
				return err
			}
		}
		return l.CheckMarked(ctx, ids, going)
	})
}

// holdsFor gives the names of a capture's holds that count and have a reason. What can't be read has another one.
func (r *Keeper) holdsFor(ctx context.Context, s *ledger.Standing, id, reason string) (same []string, err error) {
	for _, name := range s.MarksOf(names.Holds, id) {
		info, err := r.storage.Stat(ctx, name)
		if errors.Is(err, storage.ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		record, err := vault.ReadMark[format.MarkRecord](ctx, r.vault, format.Hold, info)
		switch {
		case err == nil && record.Reason == reason:
			same = append(same, name)
		case err != nil && !vault.IsDamage(err) && !errors.Is(err, storage.ErrNotFound):
			return nil, err
		}
	}
	return same, nil
}

// ReleaseFor ends the holds of captures that have a reason, each for good.
func (r *Keeper) ReleaseFor(ctx context.Context, ids []string, reason string) error {
	return r.release(ctx, ids, func(s *ledger.Standing, id string) ([]string, error) { return r.holdsFor(ctx, s, id, reason) })
}

// underLease lets do decide on captures by what there is. The lease comes first:
// whoever removes captures either sees it and waits, or has said so before and is
// seen here.
func (r *Keeper) underLease(ctx context.Context, ids []string, host string, do func(*lease.Lease, *ledger.Standing, *ledger.Batches) error) error {
	l, err := r.leases.Take(ctx, format.WorkMark, host, "")
	if err != nil {
		return err
	}
	defer l.End(ctx)
	going, err := r.ledger.ReadStages(ctx, names.Final)
	if err != nil {
		return err
	}
	s, err := r.checkMarkable(ctx, ids)
	if err != nil {
		return err
	}
	return do(l, s, going)
}

// Release ends the holds of captures, each for good.
func (r *Keeper) Release(ctx context.Context, ids []string) error {
	return r.release(ctx, ids, func(s *ledger.Standing, id string) ([]string, error) { return s.MarksOf(names.Holds, id), nil })
}

func (r *Keeper) release(ctx context.Context, ids []string, which func(*ledger.Standing, string) ([]string, error)) error {
	return r.underLease(ctx, ids, "", func(l *lease.Lease, s *ledger.Standing, _ *ledger.Batches) error {
		for _, id := range ids {
			marks, err := which(s, id)
			if err != nil {
				return err
			}
			for _, name := range marks {
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

// Retire marks captures as no longer wanted, unless one of them is held.
func (r *Keeper) Retire(ctx context.Context, ids []string, said *format.MarkRecord) error {
	// One piece: the others are left to Reclaim, and whoever writes meanwhile may take the room.
	return r.vault.WithReserve(ctx, 1, func() error { return r.retire(ctx, ids, said) })
}

func (r *Keeper) retire(ctx context.Context, ids []string, said *format.MarkRecord) error {
	s, err := r.checkMarkable(ctx, ids)
	if err != nil {
		return err
	}
	for _, id := range ids {
		if s.Held(id) {
			return fmt.Errorf("capture %s: %w", id, ErrHeld)
		}
	}
	ids = slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return s.Retirement(id) != nil })
	slices.Sort(ids)
	switch ids = slices.Compact(ids); len(ids) {
	case 0:
		return nil
	case 1: // which older releases know, too
		return vault.PutMark(ctx, r.vault, format.Retired, names.NewRetired(ids[0]), said)
	}
	return r.ledger.RetireSeveral(ctx, ids, said)
}

// Reinstate takes back that captures were retired, for good, unless one is being removed.
func (r *Keeper) Reinstate(ctx context.Context, ids []string, said *format.MarkRecord) error {
	return r.underLease(ctx, ids, said.Host, func(l *lease.Lease, s *ledger.Standing, going *ledger.Batches) error {
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
				if err := r.ledger.EndMark(ctx, format.Retired, name, said); err != nil {
					return err
				}
			}
		}
		return l.CheckMarked(ctx, ids, going)
	})
}

// checkMarkable makes sure that captures are there, and gives how all stand. It looks for
// the captures last: their marks go after them.
func (r *Keeper) checkMarkable(ctx context.Context, ids []string) (*ledger.Standing, error) {
	s, err := r.ledger.ReadStanding(ctx)
	if err != nil {
		return nil, err
	}
	return s, r.checkThere(ctx, ids)
}

func (r *Keeper) checkThere(ctx context.Context, ids []string) error {
	infos, err := r.vault.List(ctx, names.Captures)
	if err != nil {
		return err
	}
	for _, id := range ids {
		if !slices.ContainsFunc(infos, func(i storage.Info) bool {
			got, _, err := names.ParseCapture(i.Name)
			return err == nil && got == id
		}) {
			return fmt.Errorf("capture %s: %w", id, vault.ErrNotFound)
		}
	}
	return nil
}
