package take

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
)

// commit writes the index file, if all that it relies on is safe from whoever
// reclaims space.
func (s *session) commit(ctx context.Context, f *format.IndexFile) (*ledger.Capture, error) {
	alive, err := s.lease.Confirm(ctx)
	if err == nil && alive {
		alive, err = s.unthreatened(ctx)
	}
	if err != nil {
		return nil, err
	}
	if !alive {
		if err := s.regain(ctx); err != nil {
			return nil, err
		}
	}
	f.Previous = s.r.ledger.Previous()
	c, err := s.writeIndexFile(ctx, f)
	if err != nil {
		return nil, err
	}
	if err := s.checkAfter(ctx); err != nil {
		return nil, errors.Join(err, s.withdraw(ctx, c))
	}
	return c, nil
}

// writeIndexFile puts the index file.
func (s *session) writeIndexFile(ctx context.Context, f *format.IndexFile) (*ledger.Capture, error) {
	if f.ID != "" {
		return s.writeCarried(ctx, f)
	}
	return s.r.ledger.WriteIndexFile(ctx, f)
}

// unthreatened looks, before the index file is put, whether a slab that it relies on is
// named finally.
func (s *session) unthreatened(ctx context.Context) (bool, error) {
	going, err := s.r.ledger.ReadStages(ctx, names.Final)
	return err == nil && !going.Threatens(s.threat), err
}

// checkAfter makes sure, once the index file is there, that nobody took the lease for
// dead and went on without it.
func (s *session) checkAfter(ctx context.Context) error {
	if err := s.lease.CheckAfter(ctx, s.threat); err != nil {
		return err
	}
	if s.lease.SinceRenewal() < lease.Life/2 && !s.lease.Lapsed() {
		return nil
	}
	// Writing took so long that the lease may have been taken for dead.
	return s.checkSlabs(ctx)
}

// threat tells of a final mark that names a slab that the capture relies on. One that
// can't be read, and was there from the start, named none: on no slab of its time is
// relied.
func (s *session) threat(f *ledger.Batch) bool {
	if f.Record == nil {
		return !s.finals[f.Info.Name]
	}
	return slices.ContainsFunc(f.Record.Slabs, func(id format.SlabID) bool { return s.Uses[id] })
}

// withdraw takes the index file of a capture away that somebody else may have seen.
func (s *session) withdraw(ctx context.Context, c *ledger.Capture) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), lease.LeaveTime)
	defer cancel()
	_, err := s.r.ledger.PutBatch(ctx, names.Gone, &format.BatchRecord{Captures: []string{c.ID}})
	return errors.Join(err, s.r.storage.Remove(ctx, c.Info.Name))
}

// regain takes another lease in the place of one that lapsed, and then makes
// sure, as somebody who begins now, that what the capture relies on is there and
// not about to go.
func (s *session) regain(ctx context.Context) error {
	s.lease.End(ctx)
	l, err := s.r.leases.Take(ctx, format.WorkCapture, s.o.Host, s.o.Name)
	if err != nil {
		return err
	}
	s.lease = l
	return s.checkSlabs(ctx)
}

// checkSlabs makes sure that all slabs that the recipes name are there and not
// about to go.
func (s *session) checkSlabs(ctx context.Context) error {
	going, err := s.r.ledger.ReadStages(ctx, names.Final)
	if err != nil {
		return err
	}
	slabs, err := s.r.vault.ListSlabs(ctx)
	if err != nil {
		return err
	}
	there := stock.NewExclusion(going).From(slabs)
	for id := range s.Uses {
		if _, ok := there.Find(id); !ok {
			return fmt.Errorf("%s: %w", names.Slab(id), lease.ErrOvertaken)
		}
	}
	s.finals, _ = going.Finals()
	return nil
}
