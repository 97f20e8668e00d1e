package weave

import (
	"context"
	"encoding/binary"
	"fmt"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
)

// RecipeKey tells recipes apart.
func RecipeKey(r *format.Recipe) string {
	b := binary.LittleEndian.AppendUint32(nil, r.Level)
	for _, run := range r.Runs {
		b = append(b, run.Slab[:]...)
		b = binary.LittleEndian.AppendUint32(b, run.First)
		b = binary.LittleEndian.AppendUint32(b, run.Count)
		b = binary.LittleEndian.AppendUint32(b, run.Times)
	}
	return string(append(b, r.Digest[:]...))
}

// Recipes gives all recipes of a capture.
func Recipes(c *ledger.Capture) []*format.Recipe {
	var all []*format.Recipe
	for i := range c.Volumes {
		for _, p := range Parts(&c.Volumes[i]) {
			all = append(all, p.Recipe)
		}
	}
	if seen := c.Seen; seen != nil {
		all = append(all, seen)
	}
	return all
}

// LookAhead reads what lists the runs of a capture's recipes, but for those that skip takes out, so that it need
// not be waited for: over a share each takes some calls. Whatever is wrong is found by who reads it again.
func LookAhead(ctx context.Context, slabs *fetch.Slabs, c *ledger.Capture, skip func(*format.Recipe) bool) {
	for _, recipe := range Recipes(c) {
		if recipe.Level == 0 || skip != nil && skip(recipe) {
			continue
		}
		for _, err := range slabs.Runs(ctx, recipe) {
			if err != nil {
				break
			}
		}
	}
}

// FindChunk finds a chunk that must be there.
func FindChunk(index *known.Index, slab format.SlabID, chunk uint32) (known.Ref, error) {
	ref, ok := index.Find(slab, chunk)
	if !ok {
		return 0, &vault.ObjectError{Object: names.Slab(slab), Err: fmt.Errorf("%w: chunk %d is not there", format.ErrDamaged, chunk)}
	}
	return ref, nil
}

// Part is one of the streams that a volume is kept as.
type Part struct {
	Recipe *format.Recipe
	Use    Use
}

// Use says what is lost with a part.
type Use int

const (
	ForAll      Use = iota // the member list and its stamps: all of the volume
	ForContents            // the contents of members
	ForSpeed               // the states and the order: nothing but that more is read
)

// Parts gives the recipes that a volume has, and what is lost with each.
func Parts(v *format.Volume) []Part {
	all := []Part{{&v.MemberList, ForAll}}
	if v.Stamps != nil {
		all = append(all, Part{v.Stamps, ForAll})
	}
	if v.Contents != nil {
		all = append(all, Part{v.Contents, ForContents})
	}
	if v.States != nil {
		all = append(all, Part{v.States, ForSpeed})
	}
	if v.Order != nil {
		all = append(all, Part{v.Order, ForSpeed})
	}
	return all
}
