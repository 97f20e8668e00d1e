package reclaim

import (
	"context"
	"path"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
)

// manyBundles is how many bundles are made into one.
const manyBundles = 32

// tidyBundles puts bundles anew that have index files which are gone, and many as one, up to a length.
// What it can't do now is left for the next time.
func (c *reclaimer) tidyBundles(ctx context.Context) {
	files, err := c.r.vault.Look(ctx, names.Captures)
	if err != nil {
		return
	}
	bundles, _, err := c.r.ledger.ReadBundles(ctx, nil)
	if err != nil {
		return
	}
	there := make(map[string]bool)
	for _, info := range files {
		there[path.Base(info.Name)] = true
	}
	var old []ledger.Bundle
	size, has := 0, make(map[string]bool)
	for _, b := range bundles {
		stale := len(bundles) >= manyBundles
		for _, name := range b.Record.Names {
			stale = stale || !there[name]
		}
		if !stale || size+int(b.Info.Size) > ledger.BundleMost {
			noteNames(has, b)
			continue
		}
		old, size = append(old, b), size+int(b.Info.Size)
	}
	// Gone first: nothing is lost with a bundle, and one that can't be removed is not put anew with each run.
	left := &format.BundleRecord{}
	for _, b := range old {
		if gone, err := c.removeLeased(ctx, b.Info); err != nil {
			return
		} else if !gone {
			noteNames(has, b)
		}
	}
	for _, b := range old {
		for i, name := range b.Record.Names {
			if there[name] && !has[name] {
				has[name] = true
				left.Names, left.Objects = append(left.Names, name), append(left.Objects, b.Record.Objects[i])
			}
		}
	}
	if len(left.Names) > 0 {
		c.r.ledger.WriteBundle(ctx, left)
	}
}

func noteNames(has map[string]bool, b ledger.Bundle) {
	for _, name := range b.Record.Names {
		has[name] = true
	}
}
