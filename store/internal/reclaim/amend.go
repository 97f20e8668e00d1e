package reclaim

import (
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// Amending makes of a record what is amended of it from now on, nil for nothing, and tells
// whether that is other than before.
type Amending func(*format.IndexFile) (amended *format.Amendment, changed bool)

// Amend puts a generation of the index file of a capture in which other things are amended.
func (r *Keeper) Amend(ctx context.Context, id, host string, amend Amending) (amended *ledger.Capture, err error) {
	err = r.underLease(ctx, []string{id}, host, func(l *lease.Lease, s *ledger.Standing, going *ledger.Batches) (err error) {
		if s.Retirement(id) != nil || going.Removes(id) {
			return fmt.Errorf("capture %s: %w", id, ErrRetired)
		}
		if err := r.leases.Alone(ctx, l); err != nil {
			return err // they put generations, too
		}
		for tries, again := 1, true; again && err == nil; tries++ {
			if tries > mostAmends {
				return fmt.Errorf("capture %s: its index file was exchanged %d times meanwhile: %w", id, mostAmends, lease.ErrBusy)
			}
			amended, again, err = r.amendOnce(ctx, l, id, going, amend)
		}
		if err == nil {
			s.Apply([]*ledger.Capture{amended})
		}
		return err
	})
	return amended, err
}

// mostAmends is how often amending begins anew: a name that is taken and never listed would keep it at it for ever.
const mostAmends = 16

// amendOnce amends the generation that counts. again tells that somebody put another one
// meanwhile.
func (r *Keeper) amendOnce(ctx context.Context, l *lease.Lease, id string, going *ledger.Batches, amend Amending) (c *ledger.Capture, again bool, err error) {
	c, taken, err := r.counting(ctx, id)
	if err != nil {
		return nil, false, err
	}
	amendment, changed := amend(c.IndexFile)
	if !changed {
		return c, false, nil
	}
	record := *c.IndexFile
	record.Amended = amendment
	next, err := taken.Next(id, c.Generation)
	if err == nil {
		err = l.Check(ctx)
	}
	if err != nil {
		return nil, false, err
	}
	c, err = r.ledger.WriteGeneration(ctx, &record, next)
	if errors.Is(err, storage.ErrExists) {
		return nil, true, nil
	}
	if err != nil {
		return nil, false, err
	}
	if err := l.CheckMarked(ctx, []string{id}, going); err != nil {
		if errors.Is(err, lease.ErrOvertaken) {
			err = errors.Join(err, r.takeBack(ctx, c))
		}
		return nil, false, err
	}
	counts, _, err := r.counting(ctx, id)
	if err != nil {
		return nil, false, err
	}
	return c, counts.Generation != c.Generation, nil
}

// takeBack removes a generation of a capture that is being removed.
func (r *Keeper) takeBack(ctx context.Context, c *ledger.Capture) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), lease.LeaveTime)
	defer cancel()
	if err := r.storage.Remove(ctx, c.Info.Name); !errors.Is(err, storage.ErrNotFound) {
		return err
	}
	return nil
}

// counting gives the generation of a capture that counts, and which numbers are taken.
func (r *Keeper) counting(ctx context.Context, id string) (*ledger.Capture, ledger.Taken, error) {
	for range ledger.Relists {
		infos, err := r.ledger.ListCaptures(ctx)
		if err != nil {
			return nil, nil, err
		}
		captures, damage, again, err := r.ledger.Read(ctx, generationsOf(id, infos))
		switch {
		case err != nil:
			return nil, nil, err
		case len(captures) == 1:
			return captures[0], ledger.TakenBy(infos), nil
		case len(damage) > 0 && !again:
			return nil, nil, errors.Join(damage...)
		}
	}
	return nil, nil, fmt.Errorf("capture %s: %w", id, vault.ErrNotFound)
}

func generationsOf(id string, infos []storage.Info) [][]ledger.File {
	for _, files := range ledger.Generations(infos) {
		if of, _, _ := names.ParseCapture(files[0].Info.Name); of == id {
			return [][]ledger.File{files}
		}
	}
	return nil
}
