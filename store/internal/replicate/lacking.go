package replicate

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// Lacking gives the slabs that captures of one place need and that are not in its list, each with the ids of those
// captures, once each. Lists of runs that can't be read there are read in the other place, if they are there, too. Without
// deep, no list is read: what they name is passed over. stand says on which slabs others stand, as tables there tell; nil: they are read.
func Lacking(ctx context.Context, at, other *stock.Stock, list vault.SlabList, stand map[format.SlabID][]format.SlabID, captures []*ledger.Capture, deep bool) (map[format.SlabID][]string, error) {
	l := &lacking{at: at.Vault().Slabs(), other: other.Vault().Slabs(), list: list, deep: deep, recipes: make(map[string][]format.SlabID)}
	l.bases = bases{at: at, slabs: []*fetch.Slabs{l.at, l.other}, of: stand}
	all := make(map[format.SlabID][]string)
	for _, c := range captures {
		for _, recipe := range weave.Recipes(c) {
			gone, err := l.recipe(ctx, recipe, c.Deltas)
			if err != nil {
				return nil, err
			}
			for _, id := range gone {
				if !slices.Contains(all[id], c.ID) {
					all[id] = append(all[id], c.ID)
				}
			}
		}
	}
	return all, nil
}

type lacking struct {
	at, other *fetch.Slabs
	list      vault.SlabList
	deep      bool
	recipes   map[string][]format.SlabID // what they lack
	bases     bases
}

// recipe gives what a recipe names, at all levels that can be read, or stands on, and is not there.
func (l *lacking) recipe(ctx context.Context, recipe *format.Recipe, deltas bool) ([]format.SlabID, error) {
	key := fmt.Sprint(deltas, weave.RecipeKey(recipe))
	if gone, ok := l.recipes[key]; ok {
		return gone, nil
	}
	found, err := l.named(ctx, recipe)
	if err == nil && deltas {
		err = l.withBases(ctx, found)
	}
	if err != nil {
		return nil, err
	}
	var gone []format.SlabID
	for id, is := range found {
		if is {
			gone = append(gone, id)
		}
	}
	l.recipes[key] = gone
	return gone, nil
}

// named gives what a recipe names, and whether it is gone.
func (l *lacking) named(ctx context.Context, recipe *format.Recipe) (map[format.SlabID]bool, error) {
	found := make(map[format.SlabID]bool)
	levels := uint32(1)
	if l.deep {
		levels += recipe.Level
	}
	for level := range levels {
		outer := &format.Recipe{Level: level, Runs: recipe.Runs}
		err := l.level(l.at.Runs(ctx, outer), found)
		if vault.IsDamage(err) { // a list of runs is harmed or gone here: that of the other place names the same
			err = l.level(l.other.Runs(ctx, outer), found)
		}
		if vault.IsDamage(err) {
			break
		}
		if err != nil {
			return nil, err
		}
	}
	return found, nil
}

// withBases adds what slabs stand on, by any way, as far as somebody can tell.
func (l *lacking) withBases(ctx context.Context, found map[format.SlabID]bool) error {
	for todo := slices.Collect(maps.Keys(found)); len(todo) > 0; {
		id := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		below, err := l.bases.below(ctx, id)
		if err != nil && !vault.IsDamage(err) {
			return err
		}
		for _, base := range below {
			if _, ok := found[base]; !ok {
				l.note(base, found)
				todo = append(todo, base)
			}
		}
	}
	return nil
}

// level notes of each slab that runs name whether it is gone.
func (l *lacking) level(runs fetch.Runs, found map[format.SlabID]bool) error {
	for run, err := range runs {
		if err != nil {
			return err
		}
		if _, ok := found[run.Slab]; !ok {
			l.note(run.Slab, found)
		}
	}
	return nil
}

func (l *lacking) note(id format.SlabID, found map[format.SlabID]bool) {
	_, there := l.list.Find(id)
	found[id] = !there
}
