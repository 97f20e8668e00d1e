package replicate

import (
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// renewSlab puts a slab anew there of which a mark says that it is harmed, under its name and with the bytes that it has here,
// unless all of it can be read: the captures that are copied name it. What a table is to say of it is given if it was put.
func (p *replication) renewSlab(ctx context.Context, id format.SlabID) (*format.SlabRecord, state, error) {
	_, err := p.r.to.RecoverSlab(ctx, id)
	if err == nil {
		return nil, state{is: present}, nil
	}
	if !vault.IsDamage(err) {
		return nil, state{}, err
	}
	p.renewing.Lock() // a slab at a time is held in memory
	defer p.renewing.Unlock()
	from, err := p.r.from.Vault().Slabs().Copy(ctx, id)
	var whole []byte
	if err == nil {
		whole, err = io.ReadAll(&metered{from, &p.meter})
	}
	var slab *fetch.SlabError
	switch {
	case errors.As(err, &slab) && vault.IsDamage(err):
		return nil, state{damaged, names.Slab(id), err}, nil
	case err != nil:
		return nil, state{}, fmt.Errorf("copying slab %s: %w", names.Slab(id), err)
	}
	return p.putAnew(ctx, id, whole, from.Record())
}

// putAnew puts a slab in the place of a harmed one, which nobody else may do at the same time.
func (p *replication) putAnew(ctx context.Context, id format.SlabID, whole []byte, record *format.SlabRecord) (*format.SlabRecord, state, error) {
	err := p.r.to.Leases().Alone(ctx, p.lease)
	if errors.Is(err, lease.ErrBusy) {
		return nil, state{is: going}, nil
	}
	if err == nil {
		err = p.lease.Check(ctx)
	}
	if err == nil {
		err = p.r.to.Vault().PutAnew(ctx, names.Slab(id), whole)
	}
	if err != nil {
		return nil, state{}, fmt.Errorf("putting slab %s anew: %w", names.Slab(id), err)
	}
	return record, state{is: present}, nil
}
