package replicate

import (
	"context"
	"errors"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/storage"
)

// tellElsewhere puts a mark there that names the captures that are known here and are not there, before anything comes
// that saw them: todo are those that come, as far as nothing is in the way. Where it is one, the mark does not name it: if it
// fails, nothing comes.
func (p *replication) tellElsewhere(ctx context.Context, todo []*ledger.Capture) error {
	comes := ""
	if len(todo) == 1 { // of several, clocks don't tell which one saw which
		comes = todo[0].ID
	}
	add := make(ledger.Departures)
	for id, hashes := range p.known() {
		if p.there.byID[id] != nil || p.there.unread[id] != nil || p.there.gone.Names(id) || id == comes {
			continue
		}
		for _, hash := range hashes {
			if !slices.Contains(p.there.away.Captures[id], hash) {
				add.Add(id, hash)
			}
		}
	}
	return p.r.to.Ledger().PutElsewhere(ctx, p.o.Host, add)
}

// known gives the captures that are or were here, or that other places have.
func (p *replication) known() ledger.Departures {
	all := p.here.gone.With(p.here.away.Captures)
	for _, c := range p.here.all {
		all.Add(c.ID, c.Hash())
	}
	for id := range p.here.unread {
		all.Add(id, crypt.Digest{})
	}
	return all
}

// mostElsewhere is how many marks may be there before they become one.
const mostElsewhere = 8

// tidyElsewhere puts one mark in the place of those that there are, where captures that they name are there by
// now, or where they are many.
func (p *replication) tidyElsewhere(ctx context.Context) error {
	to := p.r.to.Ledger()
	now, err := to.ReadElsewhere(ctx)
	if err != nil {
		return err
	}
	left, done := make(ledger.Departures), false
	for id, hashes := range now.Captures {
		if p.there.byID[id] != nil || p.there.gone.Names(id) {
			done = true
			continue
		}
		left[id] = hashes
	}
	if !done && len(now.Marks) <= mostElsewhere {
		return nil
	}
	if err := p.lease.Check(ctx); err != nil {
		return err
	}
	if err := to.PutElsewhere(ctx, p.o.Host, left); err != nil {
		return err
	}
	for _, name := range now.Marks {
		if err := p.r.to.Vault().Storage().Remove(ctx, name); err != nil && !errors.Is(err, storage.ErrNotFound) {
			return err
		}
	}
	return nil
}
