package replicate

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"

	"golang.org/x/sync/errgroup"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// state says how a slab that captures need is in the place that is written.
type state struct {
	is     standing
	object string // that is damaged
	err    error
}

type standing int

const (
	missing standing = iota + 1
	present
	harmed  // a mark says so of some of it: it is read, and put anew if that is so
	going   // it is being removed there: nobody may rely on it, and its name is not free yet
	damaged // where it is read
	odd     // under its name something else is there
)

// wants tells whether a slab is to be put there.
func (s state) wants() bool { return s.is == missing || s.is == harmed }

// stateOf tells how a slab is there.
func (p *replication) stateOf(n int32) state {
	s, ok := p.states[n]
	if !ok {
		s = p.look(p.needs.ids[n])
		p.states[n] = s
	}
	return s
}

func (p *replication) look(id format.SlabID) state {
	if p.holdings.Exclusion.Slabs[id] { // be it there or not
		return state{is: going}
	}
	i, ok := p.holdings.Slabs.Find(id)
	if !ok {
		return state{is: missing}
	}
	there := p.holdings.Slabs[i]
	if p.holdings.Exclusion.Goes(id, there.Info) {
		return state{is: going}
	}
	if _, marked := p.marked[id]; marked {
		return state{is: harmed}
	}
	want, _ := p.needs.list.Length(id)
	if there.Size != want {
		return state{odd, there.Name, fmt.Errorf("%w: it has %d bytes, and %d where it is whole: repair that place first", format.ErrDamaged, there.Size, want)}
	}
	return state{is: present}
}

// Most that is put before it is committed, and how many slabs are on their way at a time.
const (
	batchSlabs    = 64
	batchCaptures = 256
	movers        = 4
)

// copySlabs copies slabs, what they stand on first. What is damaged where it is read becomes their state.
func (p *replication) copySlabs(ctx context.Context, slabs []int32) error {
	for _, turn := range p.needs.inTurn(slabs) {
		if err := p.copyTurn(ctx, turn); err != nil {
			return err
		}
	}
	return nil
}

// copyTurn copies slabs, several at a time.
func (p *replication) copyTurn(ctx context.Context, slabs []int32) error {
	var mu sync.Mutex
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(movers)
	for _, n := range slabs {
		mu.Lock()
		put := p.copySlab
		if p.stateOf(n).is == harmed {
			put = p.renewSlab
		}
		mu.Unlock()
		g.Go(func() error {
			record, s, err := put(ctx, p.needs.ids[n])
			if err != nil {
				return err
			}
			mu.Lock()
			defer mu.Unlock()
			p.states[n] = s
			if record != nil {
				p.pending = append(p.pending, record)
				p.out.Slabs++
				p.out.Bytes += int64(record.Length)
			}
			return nil
		})
	}
	return g.Wait()
}

// copySlab copies one slab, and gives what a table is to say of it.
func (p *replication) copySlab(ctx context.Context, id format.SlabID) (*format.SlabRecord, state, error) {
	from, err := p.r.from.Vault().Slabs().Copy(ctx, id)
	if err == nil {
		err = p.needs.bases.check(id, from.Frames())
	}
	if err == nil {
		err = p.r.to.Vault().Storage().Put(ctx, names.Slab(id), &metered{from, &p.meter})
		if from.Failed() != nil {
			err = from.Failed()
		}
	}
	var slab *fetch.SlabError
	switch {
	case err == nil:
		return from.Record(), state{is: present}, nil
	case errors.As(err, &slab) && vault.IsDamage(err):
		return nil, state{damaged, names.Slab(id), err}, nil
	case errors.Is(err, storage.ErrExists):
		return p.whoever(ctx, id)
	}
	return nil, state{}, fmt.Errorf("copying slab %s: %w", names.Slab(id), err)
}

// whoever takes a slab that somebody else copied meanwhile.
func (p *replication) whoever(ctx context.Context, id format.SlabID) (*format.SlabRecord, state, error) {
	info, err := p.r.to.Vault().Storage().Stat(ctx, names.Slab(id))
	if err != nil {
		return nil, state{}, err
	}
	if want, _ := p.needs.list.Length(id); info.Size != want {
		return nil, state{odd, info.Name, fmt.Errorf("%w: it has %d bytes, and %d where it is whole: repair that place first", format.ErrDamaged, info.Size, want)}, nil
	}
	return nil, state{is: present}, nil
}

// metered counts what is read.
type metered struct {
	r io.Reader
	m *meter
}

func (r *metered) Read(b []byte) (int, error) {
	n, err := r.r.Read(b)
	r.m.add(int64(n))
	return n, err
}

// adopt lists slabs there that an interrupted run left and no table lists: they are read, so that they are known to
// be whole.
func (p *replication) adopt(ctx context.Context, batch []*ledger.Capture) error {
	if len(p.holdings.Unlisted) == 0 {
		return nil
	}
	for _, c := range batch {
		slabs, err := p.needs.of(ctx, c)
		if err != nil {
			return err
		}
		for _, n := range slabs {
			id := p.needs.ids[n]
			if !p.holdings.Unlisted[id] {
				continue
			}
			delete(p.holdings.Unlisted, id)
			record, err := p.r.to.RecoverSlab(ctx, id)
			if vault.IsDamage(err) {
				p.states[n] = state{odd, names.Slab(id), err}
				continue
			}
			if err != nil {
				return err
			}
			p.pending = append(p.pending, record)
		}
	}
	return nil
}

// writeTables lists what was put.
func (p *replication) writeTables(ctx context.Context) error {
	for len(p.pending) > 0 {
		some := p.pending[:min(len(p.pending), batchSlabs)]
		n, err := p.r.to.WriteTable(ctx, some)
		p.out.Bytes += n
		if err != nil {
			return err
		}
		p.pending = p.pending[len(some):]
	}
	return nil
}
