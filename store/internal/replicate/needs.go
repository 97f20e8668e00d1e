package replicate

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// needs knows which slabs captures need, by numbers. It takes 4 bytes for each slab of each recipe
// that is not like one before.
type needs struct {
	slabs   *fetch.Slabs
	list    vault.SlabList // where it is read
	ids     []format.SlabID
	numbers map[format.SlabID]int32
	recipes map[string][]int32
	failed  map[string]error // recipes whose runs can't be read
	bases   bases
}

func newNeeds(ctx context.Context, from *stock.Stock) (*needs, error) {
	list, err := from.Vault().ListSlabs(ctx)
	n := &needs{slabs: from.Vault().Slabs(), list: list, numbers: make(map[format.SlabID]int32), recipes: make(map[string][]int32), failed: make(map[string]error)}
	n.bases = bases{at: from, slabs: []*fetch.Slabs{n.slabs}}
	n.slabs.Expect(list.Length)
	return n, err
}

// of gives the slabs that a capture needs, each once. Damage is an error that names the object.
func (n *needs) of(ctx context.Context, c *ledger.Capture) ([]int32, error) {
	var all []int32
	for _, recipe := range weave.Recipes(c) {
		some, err := n.ofRecipe(ctx, recipe)
		if err != nil {
			return nil, err
		}
		all = append(all, some...)
	}
	slices.Sort(all)
	all = slices.Compact(all)
	if !c.Deltas {
		return all, nil
	}
	return n.withBases(ctx, all)
}

// withBases gives slabs with those that they stand on, and these with theirs.
func (n *needs) withBases(ctx context.Context, slabs []int32) ([]int32, error) {
	seen := make(map[int32]bool)
	for _, s := range slabs {
		seen[s] = true
	}
	slabs = slices.Clone(slabs)
	for i := 0; i < len(slabs); i++ {
		below, err := n.bases.below(ctx, n.ids[slabs[i]])
		if err != nil {
			return nil, err
		}
		for _, id := range below {
			base, err := n.number(id)
			if err != nil {
				return nil, err
			}
			if !seen[base] {
				seen[base] = true
				slabs = append(slabs, base)
			}
		}
	}
	slices.Sort(slabs)
	return slabs, nil
}

// inTurn gives slabs so that none comes in a turn before those that it stands on: what is there without these can't be
// read. Where that goes in a circle, which no writer makes, what is left comes last.
func (n *needs) inTurn(slabs []int32) (turns [][]int32) {
	waits, above := make(map[int32]int, len(slabs)), make(map[int32][]int32) // for how many one waits; which wait for it
	for _, s := range slabs {
		waits[s] = 0
	}
	for _, s := range slabs {
		for _, id := range n.bases.of[n.ids[s]] {
			base, ok := n.numbers[id]
			if _, among := waits[base]; ok && among && base != s {
				waits[s]++
				above[base] = append(above[base], s)
			}
		}
	}
	turn := slices.DeleteFunc(slices.Clone(slabs), func(s int32) bool { return waits[s] > 0 })
	for len(turn) > 0 {
		turns = append(turns, turn)
		var next []int32
		for _, base := range turn {
			delete(waits, base)
			for _, s := range above[base] {
				if waits[s]--; waits[s] == 0 {
					next = append(next, s)
				}
			}
		}
		slices.Sort(next)
		turn = next
	}
	if len(waits) > 0 {
		turns = append(turns, slices.Sorted(maps.Keys(waits)))
	}
	return turns
}

// ofRecipe gives the slabs that a recipe names at all levels: what the outer ones name holds the runs of the next.
func (n *needs) ofRecipe(ctx context.Context, recipe *format.Recipe) ([]int32, error) {
	key := weave.RecipeKey(recipe)
	if slabs, ok := n.recipes[key]; ok {
		return slabs, n.failed[key]
	}
	slabs, err := n.walk(ctx, recipe)
	if err != nil && !vault.IsDamage(err) {
		return nil, err
	}
	n.recipes[key] = slabs
	if err != nil {
		n.failed[key] = err
	}
	return slabs, err
}

func (n *needs) walk(ctx context.Context, recipe *format.Recipe) ([]int32, error) {
	found := make(map[int32]bool)
	for level := range recipe.Level + 1 {
		outer := format.Recipe{Level: level, Runs: recipe.Runs}
		for run, err := range n.slabs.Runs(ctx, &outer) {
			if err != nil {
				return nil, err
			}
			number, err := n.number(run.Slab)
			if err != nil {
				return nil, err
			}
			found[number] = true
		}
	}
	slabs := make([]int32, 0, len(found))
	for number := range found {
		slabs = append(slabs, number)
	}
	slices.Sort(slabs)
	return slabs, nil
}

func (n *needs) number(id format.SlabID) (int32, error) {
	number, ok := n.numbers[id]
	if !ok {
		if _, there := n.list.Find(id); !there {
			return 0, &vault.ObjectError{Object: names.Slab(id), Err: fmt.Errorf("%w: it is not there", format.ErrDamaged)}
		}
		number = int32(len(n.ids))
		n.ids = append(n.ids, id)
		n.numbers[id] = number
	}
	return number, nil
}
