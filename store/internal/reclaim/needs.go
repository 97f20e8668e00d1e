package reclaim

import (
	"context"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// markNeeds notes which chunks the captures need.
func (v *survey) markNeeds(ctx context.Context) error {
	stay := slices.DeleteFunc(slices.Clone(v.captures), v.expired)
	if err := v.needAll(ctx, stay...); err != nil {
		return err
	}
	v.holdBases()
	return nil
}

// needAll notes that captures need all of their chunks. The recipes of several are read at a time:
// over a share that takes calls where they have several levels.
func (v *survey) needAll(ctx context.Context, captures ...*ledger.Capture) error {
	var all [][]*needing // those of one capture lie in the same few slabs: beside each other they would wait for one another
	begun := make(map[string]bool)
	for _, c := range captures {
		var own []*needing
		for i := range c.Volumes {
			for _, p := range weave.Parts(&c.Volumes[i]) {
				own = v.needs(own, begun, c, p.Recipe, p.Use != weave.ForContents)
			}
		}
		if seen := c.Seen; seen != nil {
			own = v.needs(own, begun, c, seen, true)
		}
		if len(own) > 0 {
			all = append(all, own)
		}
	}
	return vault.InOrder(ctx, all, vault.Askers, v.readNeeds, func(own []*needing, runs [][]neededRun, err error) error {
		if err != nil {
			return fmt.Errorf("capture %s: what it needs is not known, so that nothing is removed: %w", own[0].capture.ID, err)
		}
		for i, n := range own {
			v.need(n, runs[i])
		}
		return nil
	})
}

// needing is a recipe of a capture.
type needing struct {
	capture *ledger.Capture
	recipe  *format.Recipe
	listing bool // it lists something, and is no content
}

// key tells recipes apart: once for those who want what it names, and once for the others suffices.
func (n *needing) key() string {
	key := weave.RecipeKey(n.recipe)
	if n.capture.Retired == nil {
		key += "+"
	}
	return key
}

// needs adds a recipe unless it was walked, or begun.
func (v *survey) needs(all []*needing, begun map[string]bool, c *ledger.Capture, recipe *format.Recipe, listing bool) []*needing {
	n := &needing{c, recipe, listing}
	key := n.key()
	if _, ok := v.walked[key]; ok || begun[key] {
		return all
	}
	begun[key] = true
	return append(all, n)
}

// neededRun is a run that a recipe names, or that its runs are listed in.
type neededRun struct {
	format.Run
	direct bool
}

// readNeeds gives the runs of each recipe.
func (v *survey) readNeeds(ctx context.Context, own []*needing) (all [][]neededRun, err error) {
	for _, n := range own {
		runs, err := v.readRuns(ctx, n)
		if err != nil {
			return nil, err
		}
		all = append(all, runs)
	}
	return all, nil
}

// readRuns gives the runs of a recipe, and of those above it that list them: the chunks of the
// outer levels hold the runs of the next one, and are as needed.
func (v *survey) readRuns(ctx context.Context, n *needing) (runs []neededRun, err error) {
	for level := range n.recipe.Level + 1 {
		outer := format.Recipe{Level: level, Runs: n.recipe.Runs}
		for run, err := range v.r.slabs.Runs(ctx, &outer) {
			if err != nil {
				return nil, err
			}
			runs = append(runs, neededRun{run, level == n.recipe.Level})
		}
	}
	return runs, nil
}

// need notes that a capture needs the chunks of runs.
func (v *survey) need(n *needing, runs []neededRun) {
	found := make(map[*stocked]bool)
	for _, run := range runs {
		s := v.at(run.Slab)
		found[s] = true
		v.markRun(s, run.Run, n.capture.Retired == nil, run.direct, run.direct && n.listing)
	}
	slabs := make([]*stocked, 0, len(found))
	for s := range found {
		slabs = append(slabs, s)
	}
	// Who wants a chunk needs it as well: those who only need it have nothing to add.
	v.walked[n.key()], v.walked[weave.RecipeKey(n.recipe)] = slabs, slabs
}

func (v *survey) markRun(s *stocked, run format.Run, wanted, direct, listing bool) {
	s.short = s.short || s.frames != nil && int(run.First)+int(run.Count) > s.chunks
	for n := int(run.First); n < int(run.First)+int(run.Count) && n < s.chunks; n++ {
		at := s.first + n
		v.needed.set(at)
		v.asked.set(at)
		if wanted {
			v.wanted.set(at)
		}
		if direct {
			v.direct.set(at)
		}
		if listing {
			v.listing.set(at)
		}
	}
}

// unused tells that nothing of a slab is needed, by the given needs. Of a slab whose
// chunks are not known, something is if a recipe names it.
func (v *survey) unused(s *stocked, needs bitset) bool {
	if s.short || v.blind != nil {
		return false
	}
	if s.frames != nil {
		return !needs.any(s.first, s.first+s.chunks)
	}
	return !v.named(s)
}

// named tells whether a recipe names a slab.
func (v *survey) named(s *stocked) bool {
	for _, slabs := range v.walked {
		if slices.Contains(slabs, s) {
			return true
		}
	}
	return false
}

// dead gives about how many bytes of a slab nothing needs. Of a frame, each chunk
// counts by its length. Padding is not dead: moving the rest would bring as much anew.
func (v *survey) dead(s *stocked) int64 {
	if s.short {
		return 0
	}
	var dead int64
	at := s.first
	for i := range s.frames {
		f := &s.frames[i]
		if f.Padding {
			at += len(f.Chunks)
			continue
		}
		var lost int64
		for _, n := range f.Chunks {
			if !v.needed.has(at) {
				lost += int64(n)
			}
			at++
		}
		// A frame is compressed as a whole: what a chunk takes of it is told by lengths alone.
		dead += int64(f.Sealed) * lost / int64(f.Raw())
	}
	return dead
}
