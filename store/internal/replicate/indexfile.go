package replicate

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// putFile is an index file that was put.
type putFile struct {
	capture *ledger.Capture
	name    string
	others  bool // somebody else put it meanwhile
}

// putCapture puts the index file of a capture: the commit. Where it can't be read any more, it notes that, and gives
// no name.
func (p *replication) putCapture(ctx context.Context, c *ledger.Capture) (putFile, error) {
	raw, err := p.r.from.Ledger().Sealed(ctx, c)
	if vault.IsDamage(err) || errors.Is(err, storage.ErrNotFound) {
		p.fail(c, c.Info.Name, false, err)
		return putFile{}, nil
	}
	if err != nil {
		return putFile{}, err
	}
	if err := p.lease.Check(ctx); err != nil {
		return putFile{}, err
	}
	if p.there.gone.Names(c.ID) {
		return p.putAgain(ctx, c)
	}
	file := putFile{capture: c, name: names.Capture(c.ID, c.Generation)}
	err = p.r.to.Vault().PutKept(ctx, file.name, raw)
	if errors.Is(err, storage.ErrExists) {
		file.others, err = true, nil
	}
	if err != nil {
		return putFile{}, fmt.Errorf("writing index file: %w", err)
	}
	p.out.Bytes += int64(len(raw))
	return file, nil
}

// putAgain puts the index file of a capture that was there once and was removed, in a generation that none of it can have
// had: a machine may have kept a copy of the one of this number. What retired it does so no more.
func (p *replication) putAgain(ctx context.Context, c *ledger.Capture) (putFile, error) {
	to := p.r.to.Ledger()
	for _, mark := range p.there.stand.MarksOf(names.Retired, c.ID) {
		if err := to.EndMark(ctx, format.Retired, mark, ledger.NewMarkRecord(p.o.Host, "")); err != nil {
			return putFile{}, err
		}
	}
	least := max(c.Generation, int(time.Now().Unix()/60)-1)
	for range ledger.Relists {
		files, err := to.ListCaptures(ctx)
		if err != nil {
			return putFile{}, err
		}
		generation, err := ledger.TakenBy(files).Next(c.ID, least)
		if err != nil {
			return putFile{}, err
		}
		put, err := to.WriteGeneration(ctx, c.IndexFile, generation)
		if errors.Is(err, storage.ErrExists) {
			least = generation // it is taken, and was not listed
			continue
		}
		if err != nil {
			return putFile{}, err
		}
		p.out.Bytes += put.Info.Size
		return putFile{capture: c, name: put.Info.Name}, nil
	}
	return putFile{}, fmt.Errorf("writing index file of capture %s: the names of its next %d generations are taken", c.ID, ledger.Relists)
}

// withdraw takes index files away that somebody else may have seen. Their captures are elsewhere.
func (p *replication) withdraw(ctx context.Context, put []putFile) (err error) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), lease.LeaveTime)
	defer cancel()
	captures := make(ledger.Departures)
	for _, file := range put {
		if !file.others {
			captures.Add(file.capture.ID, file.capture.Hash())
		}
	}
	if err := p.r.to.Ledger().PutElsewhere(ctx, p.o.Host, captures); err != nil {
		return err
	}
	for _, file := range put {
		if file.others {
			continue
		}
		if e := p.r.to.Vault().Storage().Remove(ctx, file.name); e != nil && !errors.Is(e, storage.ErrNotFound) {
			err = errors.Join(err, e)
		}
	}
	return err
}
