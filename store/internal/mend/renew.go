package mend

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// renew puts objects anew, as they were, that are damaged and of which that is known, and second copies that are
// missing.
func (p *repairer) renew(ctx context.Context) error {
	slices.Sort(p.v.Mendable)
	for _, name := range p.v.Mendable {
		id, err := names.ParseSlab(name)
		if err == nil {
			err = p.renewSlab(ctx, id)
		} else {
			err = p.renewSmall(ctx, name)
		}
		if err != nil {
			return fmt.Errorf("putting %s anew: %w", name, err)
		}
	}
	if err := p.lease.Check(ctx); err != nil {
		return err
	}
	_, err := p.r.vault.AddSpares(ctx, func(name string) bool { return p.v.IsDamaged(name) })
	return err
}

// renewSmall puts an object in the place of its second copy, or that in its place.
func (p *repairer) renewSmall(ctx context.Context, name string) error {
	if err := p.lease.Check(ctx); err != nil {
		return err
	}
	if object, err := names.ParseSpare(name); err == nil {
		if err := p.r.storage.Remove(ctx, name); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
		p.out.Renewed = append(p.out.Renewed, name)
		return p.r.vault.SpareAgain(ctx, object)
	}
	at := slices.IndexFunc(p.v.Captures, func(c *ledger.Capture) bool { return c.Info.Name == name })
	if at >= 0 {
		return p.renewCapture(ctx, p.v.Captures[at])
	}
	b := p.r.vault.Spare(ctx, name, format.MaxSlab)
	if b == nil {
		return nil // gone since it was looked at
	}
	if err := p.r.vault.PutAnew(ctx, name, b); err != nil {
		return err
	}
	p.out.Renewed = append(p.out.Renewed, name)
	return nil
}

func (p *repairer) renewSlab(ctx context.Context, id format.SlabID) error {
	whole, err := p.r.slabs.Whole(ctx, id, nil)
	if errors.Is(err, fetch.ErrBeyond) {
		return nil // damaged further since it was looked at
	}
	if err == nil {
		err = p.lease.Check(ctx)
	}
	if err == nil {
		err = p.r.vault.PutAnew(ctx, names.Slab(id), whole)
	}
	if err == nil {
		p.out.Renewed = append(p.out.Renewed, names.Slab(id))
	}
	return err
}

// renewCapture puts an index file anew, in a further generation: so there is no moment without one that is whole.
func (p *repairer) renewCapture(ctx context.Context, c *ledger.Capture) error {
	damaged := c.Info.Name
	if err := p.writeGenerations(ctx, []*format.IndexFile{c.IndexFile}); err != nil {
		return err
	}
	if err := p.lease.Check(ctx); err != nil {
		return err
	}
	for _, name := range []string{damaged, names.Spare(damaged)} {
		if err := p.r.storage.Remove(ctx, name); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
	}
	p.out.Renewed = append(p.out.Renewed, damaged)
	return nil
}

// finishRenewing brings to its end what a repair began that was stopped: slabs that it had put aside.
func (p *repairer) finishRenewing(ctx context.Context) error {
	infos, err := p.r.vault.ListMarks(ctx, names.Spares)
	if err != nil {
		return err
	}
	for _, info := range infos {
		object, err := names.ParseSpare(info.Name)
		if err != nil || vault.FolderOf(object) != names.Slabs {
			continue
		}
		id, _ := names.ParseSlab(object)
		if _, err := p.r.storage.Stat(ctx, object); errors.Is(err, storage.ErrNotFound) {
			err = p.renewSlab(ctx, id)
			if err != nil {
				return err
			}
		} else if err != nil {
			return err
		}
		if err := p.r.storage.Remove(ctx, info.Name); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
	}
	return nil
}
