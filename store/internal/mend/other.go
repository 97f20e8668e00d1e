package mend

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
)

// Damage is an object of the other place that can't be read, and was wanted.
type Damage struct {
	Object string
	Err    error
}

// other is the place that what is missing here is taken from. Nothing is written there but a lease.
type other struct {
	*stock.Stock
	slabs    vault.SlabList
	captures map[string]*ledger.Capture
	end      func(context.Context)
}

// openOther reads what the other place has, afresh. Its lease comes first, so that nothing goes while it is read.
func (p *repairer) openOther(ctx context.Context) (err error) {
	fresh, err := p.o.From.Afresh()
	if err != nil {
		return err
	}
	f := &other{Stock: fresh, captures: make(map[string]*ledger.Capture), end: func(context.Context) {}}
	p.from = f
	lease, err := fresh.Leases().Take(ctx, format.WorkReplicate, p.o.Host, "")
	switch {
	case err == nil:
		f.end = lease.End
	case ctx.Err() != nil:
		return err
	default:
		p.out.Notes = append(p.out.Notes, fmt.Sprintf("no lease could be put in the other place, so that reclaiming there may take away what is to be read; what is missed then is found by the next run (%v)", err))
	}
	if f.slabs, err = fresh.Vault().ListSlabs(ctx); err != nil {
		return err
	}
	fresh.Vault().Slabs().Expect(f.slabs.Length)
	files, err := fresh.Ledger().ListCaptures(ctx)
	if err != nil {
		return err
	}
	captures, damage, _, err := fresh.Ledger().Read(ctx, ledger.Generations(files))
	for _, c := range captures {
		f.captures[c.ID] = c
	}
	for _, err := range damage {
		p.damagedThere("", err)
	}
	return err
}

func (p *repairer) closeOther(ctx context.Context) {
	if p.from != nil {
		p.from.end(ctx)
		p.from.Vault().Slabs().Close()
	}
}

// damagedThere notes what is damaged in the other place; an error may name the object itself.
func (p *repairer) damagedThere(object string, err error) {
	var of *vault.ObjectError
	if errors.As(err, &of) {
		object = of.Object
	}
	if !slices.ContainsFunc(p.out.There, func(d Damage) bool { return d.Object == object }) {
		p.out.There = append(p.out.There, Damage{object, err})
	}
}

// offer gives, of captures that are not here, those that the other place has.
func (p *repairer) offer(missing []string) (offered []string) {
	if p.from == nil {
		return nil
	}
	for _, id := range missing {
		if p.from.captures[id] != nil {
			offered = append(offered, id)
		}
	}
	return offered
}

// has tells whether the other place has a slab.
func (f *other) has(id format.SlabID) bool {
	_, ok := f.slabs.Find(id)
	return ok
}

// damagedSlab notes a slab of the other place that was wanted.
func (p *repairer) damagedSlab(id format.SlabID, err error) { p.damagedThere(names.Slab(id), err) }
