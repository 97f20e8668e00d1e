package weigh

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
)

// Usage says what a repository costs, in bytes.
type Usage struct {
	Alone       []int64 // what only one capture keeps, of each
	Captured    int64   // length of all captures' streams
	Stored      int64   // of all objects of the repository
	Reclaimable int64   // what no capture keeps
	Slabs       int
}

// Usage finds out what captures keep.
func (r *Scales) Usage(ctx context.Context, captures []*ledger.Capture) (*Usage, error) {
	objects, err := r.storage.List(ctx, "")
	if err != nil {
		return nil, err
	}
	u := &Usage{}
	sizes := make(map[string]int64)
	for _, o := range objects {
		u.Stored += o.Size
		sizes[o.Name] = o.Size
		if _, err := names.ParseSlab(o.Name); err == nil {
			u.Slabs++
		}
		if _, _, err := names.ParseCapture(o.Name); err == nil {
			u.Reclaimable += o.Size
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
			u.Captured += int64(capture.Volumes[i].Length)
		}
		size := sizes[capture.Info.Name]
		u.Alone = append(u.Alone, size)
		u.Reclaimable -= size
	}
	return u, c.tally(ctx, func(owner uint32, bytes int64) {
		switch owner {
		case shared:
		case 0:
			u.Reclaimable += bytes
		default:
			u.Alone[owner-1] += bytes
		}
	})
}
