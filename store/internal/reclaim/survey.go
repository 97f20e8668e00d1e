package reclaim

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// survey is what a repository holds and what of it is needed, chunk by chunk.
// It takes 4 bytes and 6 bits a chunk, beside the sets of slabs by recipe.
type survey struct {
	r      *Keeper
	before *survey   // an earlier look; nil: this is the first
	now    time.Time // by the medium's clock
	grace  time.Duration

	files      []storage.Info    // index files of all generations
	captures   []*ledger.Capture // retired ones, too
	superseded []storage.Info    // index files in whose place others have come
	stand      *ledger.Standing
	going      *ledger.Batches
	rehearsed  *ledger.Rehearsals // their names alone
	slabs      vault.SlabList
	stock      map[format.SlabID]*stocked
	absent     map[format.SlabID]*stocked // slabs that are missing, and may come back: what they stand on stays
	order      []*stocked                 // by when they were put, to make moving deterministic

	wanted  bitset // chunks of captures that are not retired
	needed  bitset // those, and chunks of captures retired within the grace time; of both, what they stand on, too
	asked   bitset // of the needed ones, those that recipes name
	direct  bitset // of the needed ones, those that are not only there to list runs
	listing bitset // of the direct ones, those of member lists and the like
	instead bitset // see reckoning

	walked map[string][]*stocked // by recipe: the slabs that it names, at all levels
	blind  *stocked              // see noteBlind
}

type bitset []uint64

func (b bitset) set(i int)      { b[i/64] |= 1 << (i % 64) }
func (b bitset) unset(i int)    { b[i/64] &^= 1 << (i % 64) }
func (b bitset) has(i int) bool { return b[i/64]&(1<<(i%64)) != 0 }

// any tells whether one of the bits from i to j-1 is set.
func (b bitset) any(i, j int) bool {
	for ; i < j; i++ {
		if i%64 == 0 && j-i >= 64 && b[i/64] == 0 {
			i += 63
			continue
		}
		if b.has(i) {
			return true
		}
	}
	return false
}

// count gives how many of the bits from i to j-1 are set.
func (b bitset) count(i, j int) (n int) {
	for ; i < j; i++ {
		if b.has(i) {
			n++
		}
	}
	return n
}

// survey reads all index files, marks and tables. It refuses to go on where it can't
// know what is needed. What an earlier look of the same run read of index files, and of what they
// name, is not read again: objects don't change.
func (r *Keeper) survey(ctx context.Context, now time.Time, grace time.Duration, before *survey) (*survey, error) {
	v := &survey{r: r, before: before, now: now, grace: grace, stock: make(map[format.SlabID]*stocked), absent: make(map[format.SlabID]*stocked), walked: make(map[string][]*stocked)}
	for _, step := range []func(context.Context) error{v.readMarks, v.readCaptures, v.readSlabs, v.markNeeds} {
		if err := step(ctx); err != nil {
			return nil, err
		}
	}
	return v, nil
}

func (v *survey) readMarks(ctx context.Context) (err error) {
	if v.going, err = v.r.ledger.ReadBatches(ctx); err != nil {
		return err
	}
	if v.rehearsed, err = v.r.ledger.ListRehearsals(ctx); err != nil {
		return err
	}
	v.stand, err = v.r.ledger.ReadStanding(ctx)
	return err
}

// readCaptures reads the index files, and makes sure that none is missing.
func (v *survey) readCaptures(ctx context.Context) (err error) {
	if v.files, err = v.r.vault.Look(ctx, names.Captures); err != nil {
		return err
	}
	v.r.ledger.Untear(ctx, v.files)
	captures, damage, again, err := v.r.ledger.ReadBut(ctx, ledger.Generations(v.files), v.known())
	if err != nil {
		return err
	}
	if again {
		return fmt.Errorf("listing %s: index files went meanwhile: %w", names.Captures, lease.ErrBusy)
	}
	if err := ledger.JoinDamage(damage); err != nil {
		return fmt.Errorf("index files can't be read, so that what they need is not known and nothing is removed: %w", err)
	}
	v.stand.Apply(captures)
	v.captures = captures
	v.superseded = supersededFiles(v.files, captures)
	return v.checkVanished(ctx)
}

// known gives the captures of the look before, which is let go of.
func (v *survey) known() map[string]*ledger.Capture {
	known := make(map[string]*ledger.Capture)
	if v.before != nil {
		for _, c := range v.before.captures {
			known[c.Info.Name] = c
		}
	}
	v.before = nil
	return known
}

// supersededFiles gives the index files in whose place those of captures have
// come, lower generations first.
func supersededFiles(files []storage.Info, captures []*ledger.Capture) (old []storage.Info) {
	counts := make(map[string]int)
	for _, c := range captures {
		counts[c.ID] = c.Generation
	}
	for _, files := range ledger.Generations(files) {
		for _, f := range slices.Backward(files) {
			id, generation, _ := names.ParseCapture(f.Info.Name)
			// Not a higher one that can't be read: what it was to replace is what counts.
			if g, ok := counts[id]; ok && generation < g {
				old = append(old, f.Info)
			}
		}
	}
	return old
}

// expired tells whether a capture was retired so long ago that it may go.
func (v *survey) expired(c *ledger.Capture) bool {
	// With a grace time of none no clock is asked: that of the mark may be ahead of this one.
	return c.Retired != nil && (v.grace <= 0 || v.now.Sub(c.Retired.At) >= v.grace)
}
