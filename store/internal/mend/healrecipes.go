package mend

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/weave"
)

// errLost is returned for a chunk that is nowhere.
var errLost = fmt.Errorf("%w: a chunk is in no slab that can be read", format.ErrDamaged)

// recipe gives a recipe that names no harmed chunk, nil if the old one does not, or
// errLost. A recipe of which some chunks are nowhere may be healed in part: it then names those where they were.
func (h *healer) recipe(ctx context.Context, old *format.Recipe, part bool) (*format.Recipe, error) {
	if old == nil {
		return nil, nil
	}
	moved, lost := false, false
	h.found = false
	// Where its digest does not fit what the frames hold, it meant what a table said of them.
	h.wrong = h.v.Wrong[weave.RecipeKey(old)] != check.Intact
	// Once through without writing: nothing is stored for a recipe that stays lost.
	for run, err := range h.runs(ctx, old, &moved, false) {
		if err != nil {
			return nil, err
		}
		lost = lost || run.Slab == (format.SlabID{})
	}
	if lost && (!part || h.wrong || !h.found) {
		return nil, errLost
	}
	if !moved {
		return nil, h.unhealed()
	}
	if ok, err := h.r.stock.Fits(ctx, old, h.runs(ctx, old, &moved, lost), h.chunk); err != nil || !ok {
		return nil, check.OrElse(err, errLost) // what is found elsewhere is not what was captured
	}
	healed, err := h.w.PutRecipe(*old, func(yield func(format.Run) error) error {
		j := &weave.Joiner{Yield: yield}
		for run, err := range h.runs(ctx, old, &moved, lost) {
			if err != nil {
				return err
			}
			if err := j.Add(run); err != nil {
				return err
			}
		}
		return j.End()
	})
	return &healed, err
}

// chunk gives what a chunk is, and of one that is lost what it was.
func (h *healer) chunk(slab format.SlabID, n uint32) (id crypt.Identity, length uint32, ok bool) {
	if b := h.bad[slab]; b != nil && b.lost(n) {
		meant := b.meant(n)
		if len(meant) == 0 || int(n) >= len(b.lens) {
			return id, 0, false
		}
		return meant[0], b.lens[n], true
	}
	return h.v.RealOf(slab, n)
}

// runs gives the runs of a recipe, with harmed chunks taken from elsewhere. A chunk
// that is nowhere comes as a run of the slab zero, or as it was if it is to stay; above the recipe itself, it
// ends the sequence with errLost.
func (h *healer) runs(ctx context.Context, recipe *format.Recipe, moved *bool, stay bool) fetch.Runs {
	runs := fetch.Inline(recipe.Runs)
	// Each level is read by the one above it as it is healed: harmed lists can't be.
	for range recipe.Level {
		runs = h.r.slabs.Nested(ctx, whole(h.replace(runs, moved, false)))
	}
	return h.replace(runs, moved, stay)
}

// whole ends runs at a chunk that is nowhere.
func whole(runs fetch.Runs) fetch.Runs {
	return func(yield func(format.Run, error) bool) {
		for run, err := range runs {
			if err == nil && run.Slab == (format.SlabID{}) {
				err = errLost
			}
			if !yield(run, err) || err != nil {
				return
			}
		}
	}
}

// unhealed says that a recipe is lost of which nothing is to be taken from elsewhere, if it
// is not that of what was captured.
func (h *healer) unhealed() error {
	if h.wrong {
		return errLost
	}
	return nil
}

// replace takes harmed chunks from elsewhere. One that is nowhere comes as a run of the slab zero, or, if it is to
// stay, as it was.
func (h *healer) replace(runs fetch.Runs, moved *bool, stay bool) fetch.Runs {
	return func(yield func(format.Run, error) bool) {
		for run, err := range runs {
			b := h.bad[run.Slab]
			if err != nil || b == nil {
				if !yield(run, err) {
					return
				}
				continue
			}
			// Chunk by chunk: each may be found in another slab, and the joiner makes runs of them.
			for n := range run.Count {
				at := run
				at.First, at.Count = run.First+n, 1
				if b.lost(at.First) || h.wrong && b.disputes(at.First) {
					*moved = true
					if to := h.elsewhere(b, at); to.Slab != (format.SlabID{}) || !stay {
						at = to
					}
				}
				if !yield(at, nil) {
					return
				}
			}
		}
	}
}

// elsewhere gives the run of one chunk where it is unharmed, or in the slab zero.
func (h *healer) elsewhere(b *badSlab, run format.Run) format.Run {
	for _, id := range b.meant(run.First) {
		if ref, ok := h.index.Lookup(id); ok {
			run.Slab, run.First = h.index.Locate(ref)
			h.found = true
			return run
		}
	}
	run.Slab = format.SlabID{}
	return run
}
