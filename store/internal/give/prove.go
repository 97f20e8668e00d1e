package give

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// ErrUnproved is returned, behind all that was asked for, where nothing shows that it is what
// was captured.
var ErrUnproved = fmt.Errorf("%w: nothing shows that this is what was captured", format.ErrDamaged)

// proof says which identities the chunks of a stream must have. A recipe names places of
// chunks, and its digest alone tells what was captured. The digest is over identities,
// so that a few chunks need not be read with all others to be proved: whatever says the
// identities, if the digest fits them, they are those that were captured.
type proof struct {
	want func(format.SlabID, uint32) (crypt.Identity, bool)
	err  error // ErrUnproved, with what it is about

	// length, if set, gives the length of a chunk, which the digest is over, too.
	length func(format.SlabID, uint32) (uint32, bool)
}

// proofs keeps the last one: several members of a volume are read one after the other.
type proofs struct {
	mu   sync.Mutex
	key  string
	last *proof
}

// prove finds out what the chunks of a stream must be: by what the tables say, or,
// where the digest does not fit that, by reading all of the stream.
func (r *Giver) prove(ctx context.Context, recipe *format.Recipe) (*proof, error) {
	key := weave.RecipeKey(recipe)
	r.proofs.mu.Lock()
	defer r.proofs.mu.Unlock()
	if r.proofs.key == key {
		return r.proofs.last, nil
	}
	p, err := r.proveBySaid(ctx, recipe)
	if err == nil && p == nil {
		p, err = r.proveByReading(ctx, recipe)
	}
	if err == nil && p.err == nil {
		r.proofs.key, r.proofs.last = key, p
	}
	return p, err
}

// proveBySaid gives a proof by what the tables say, or nil.
func (r *Giver) proveBySaid(ctx context.Context, recipe *format.Recipe) (*proof, error) {
	slabs := make(map[format.SlabID]bool)
	for run, err := range r.slabs.Runs(ctx, recipe) {
		if err != nil {
			return nil, err
		}
		slabs[run.Slab] = true
	}
	all, err := r.stock.SaidOf(ctx, slabs)
	if err != nil {
		return nil, err
	}
	for _, of := range []stock.ChunkOf{firstSaid(all), otherwise(all)} {
		ok, err := r.stock.Fits(ctx, recipe, r.slabs.Runs(ctx, recipe), of)
		if err != nil {
			return nil, err
		}
		if ok {
			return &proof{want: func(slab format.SlabID, n uint32) (crypt.Identity, bool) {
				id, _, ok := of(slab, n)
				return id, ok
			}, length: func(slab format.SlabID, n uint32) (uint32, bool) {
				_, length, ok := of(slab, n)
				return length, ok
			}}, nil
		}
	}
	return nil, nil
}

// firstSaid gives what the first tables say.
func firstSaid(all map[format.SlabID]*stock.Said) stock.ChunkOf {
	return func(slab format.SlabID, n uint32) (id crypt.Identity, length uint32, ok bool) {
		if s := all[slab]; s != nil && int(n) < len(s.IDs) {
			return s.IDs[n], s.Lengths[n], true
		}
		return id, 0, false
	}
}

// otherwise gives what was said besides, where anything was.
func otherwise(all map[format.SlabID]*stock.Said) stock.ChunkOf {
	usual := firstSaid(all)
	return func(slab format.SlabID, n uint32) (crypt.Identity, uint32, bool) {
		id, length, ok := usual(slab, n)
		if s := all[slab]; ok && len(s.Others[n]) > 0 {
			id = s.Others[n][0]
		}
		return id, length, ok
	}
}

// proveByReading reads all of a stream.
func (r *Giver) proveByReading(ctx context.Context, recipe *format.Recipe) (*proof, error) {
	ids := make(map[format.SlabID]map[uint32]crypt.Identity)
	err := r.eachChunk(ctx, recipe, func(slab format.SlabID, n uint32, id crypt.Identity) {
		if ids[slab] == nil {
			ids[slab] = make(map[uint32]crypt.Identity)
		}
		ids[slab][n] = id
	})
	if vault.IsDamage(err) {
		none := func(format.SlabID, uint32) (id crypt.Identity, ok bool) { return id, false }
		return &proof{want: none, err: fmt.Errorf("%w: %w", ErrUnproved, err)}, nil
	}
	return &proof{want: func(slab format.SlabID, n uint32) (crypt.Identity, bool) {
		id, ok := ids[slab][n]
		return id, ok
	}}, err
}

// eachChunk reads a stream to its end and calls use for each chunk, in order. It fails
// with damage where the stream is not the one that was captured.
func (r *Giver) eachChunk(ctx context.Context, recipe *format.Recipe, use func(format.SlabID, uint32, crypt.Identity)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream := r.slabs.StreamWith(ctx, recipe, fetch.ReadOptions{Lend: true})
	defer stream.Close()
	for run, err := range r.slabs.Runs(ctx, recipe) {
		if err != nil {
			return err
		}
		for range run.Times {
			for n := range run.Count {
				c, err := stream.Next()
				if err != nil {
					return weave.OrDamage(err, "a stream ends too early")
				}
				use(run.Slab, run.First+n, c.ID)
			}
		}
	}
	if _, err := stream.Next(); !errors.Is(err, io.EOF) {
		return weave.OrDamage(err, "a stream goes on behind its last chunk")
	}
	return nil
}
