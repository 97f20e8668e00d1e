package mend

import (
	"context"
	"errors"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// A generation of an index file that can't be read, above one that counts, may have amended the capture, or named where
// chunks were moved to. As long as it is there nobody knows what it needs, and reclaiming removes nothing.

// takeAmendments puts anew what such generations amended, where the other place has that, and removes them. Of the
// others it gives the names.
func (p *repairer) takeAmendments(ctx context.Context) error {
	p.out.Amendments = nil
	for _, c := range p.v.Captures {
		above := p.unreadAbove(c)
		if len(above) == 0 {
			continue
		}
		taken, err := p.takeAmendment(ctx, c)
		if err == nil && taken {
			err = p.removeFiles(ctx, above)
		}
		if err != nil {
			return err
		}
		if !taken {
			p.out.Amendments = append(p.out.Amendments, above...)
		}
	}
	slices.Sort(p.out.Amendments)
	return nil
}

// unreadAbove gives the index files of a capture that can't be read and are of higher generations than the one that counts.
func (p *repairer) unreadAbove(c *ledger.Capture) (above []string) {
	for _, info := range p.v.Files {
		id, generation, err := names.ParseCapture(info.Name)
		if err == nil && id == c.ID && generation > c.Generation && !ledger.IsTorn(info) && p.v.IsDamaged(info.Name) {
			above = append(above, info.Name)
		}
	}
	return above
}

// takeAmendment puts a capture as the other place has it amended, if that was later than what can be read here.
func (p *repairer) takeAmendment(ctx context.Context, c *ledger.Capture) (bool, error) {
	if p.from == nil {
		return false, nil
	}
	there := p.from.captures[c.ID]
	if there == nil || there.Hash() != c.Hash() || there.Amended == nil || c.Amended != nil && !there.Amended.At.After(c.Amended.At) {
		return false, nil
	}
	record := *c.IndexFile
	record.Amended = there.Amended
	if err := p.writeGenerations(ctx, []*format.IndexFile{&record}); err != nil {
		return false, err
	}
	c.IndexFile = &record
	p.out.Restored = append(p.out.Restored, c.ID)
	return true, nil
}

// dropAmendments gives up what can't be read of amendments: what was known before counts.
func (p *repairer) dropAmendments(ctx context.Context) error {
	return p.removeFiles(ctx, p.out.Amendments)
}

// removeFiles removes index files that can't be read, and what is left of their second copies.
func (p *repairer) removeFiles(ctx context.Context, files []string) error {
	for _, name := range files {
		if err := p.lease.Check(ctx); err != nil {
			return err
		}
		for _, object := range []string{name, names.Spare(name)} {
			if err := p.r.storage.Remove(ctx, object); err != nil && !errors.Is(err, storage.ErrNotFound) && !errors.Is(err, storage.ErrGone) {
				return err
			}
		}
	}
	return nil
}
