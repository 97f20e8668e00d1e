package replicate

import (
	"context"
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
// deep, no list is read: what they name is passed over.
func Lacking(ctx context.Context, at, other *stock.Stock, list vault.SlabList, captures []*ledger.Capture, deep bool) (map[format.SlabID][]string, error) {
	l := &lacking{at: at.Vault().Slabs(), other: other.Vault().Slabs(), list: list, deep: deep, recipes: make(map[string][]format.SlabID)}
	all := make(map[format.SlabID][]string)
	for _, c := range captures {
		for _, recipe := range weave.Recipes(c) {
			gone, err := l.recipe(ctx, recipe)
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
	recipes   map[string][]format.SlabID
}

// recipe gives what a recipe names, at all levels that can be read, and is not there.
func (l *lacking) recipe(ctx context.Context, recipe *format.Recipe) ([]format.SlabID, error) {
	key := weave.RecipeKey(recipe)
	if gone, ok := l.recipes[key]; ok {
		return gone, nil
	}
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
	var gone []format.SlabID
	for id, is := range found {
		if is {
			gone = append(gone, id)
		}
	}
	l.recipes[key] = gone
	return gone, nil
}

// level notes of each slab that runs name whether it is gone.
func (l *lacking) level(runs fetch.Runs, found map[format.SlabID]bool) error {
	for run, err := range runs {
		if err != nil {
			return err
		}
		if _, ok := found[run.Slab]; !ok {
			_, there := l.list.Find(run.Slab)
			found[run.Slab] = !there
		}
	}
	return nil
}
