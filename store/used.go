package store

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
)

// usage says what a repository costs, in bytes.
type usage struct {
	alone       []int64 // what only one capture keeps, of each
	captured    int64   // length of all captures' streams
	stored      int64   // of all objects of the repository
	reclaimable int64   // what no capture keeps
	slabs       int
}

// usage finds out what captures keep.
func (r *Repository) usage(ctx context.Context, captures []*ledger.Capture) (*usage, error) {
	objects, err := r.storage.List(ctx, "")
	if err != nil {
		return nil, err
	}
	u := &usage{}
	sizes := make(map[string]int64)
	for _, o := range objects {
		u.stored += o.Size
		sizes[o.Name] = o.Size
		if _, err := names.ParseSlab(o.Name); err == nil {
			u.slabs++
		}
		if _, _, err := names.ParseCapture(o.Name); err == nil {
			u.reclaimable += o.Size
		}
	}
	c, err := r.newCensus(ctx)
	if err != nil {
		return nil, err
	}
	for i, capture := range captures {
		if err := c.claim(ctx, capture, uint32(i+1)); err != nil {
			return nil, fmt.Errorf("capture %s: %w", capture.ID, err)
		}
		for i := range capture.Volumes {
			u.captured += int64(capture.Volumes[i].Length)
		}
		size := sizes[capture.Info.Name]
		u.alone = append(u.alone, size)
		u.reclaimable -= size
	}
	return u, c.tally(ctx, func(owner uint32, bytes int64) {
		switch owner {
		case shared:
		case 0:
			u.reclaimable += bytes
		default:
			u.alone[owner-1] += bytes
		}
	})
}
