package weigh

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/store/internal/ledger"
)

// Owners in the census of FreedBy.
const (
	leaving = 1 // only captures that go have the chunk
	staying = 2
)

// FreedBy tells how many bytes would come free without some captures, by their ids.
func (r *Scales) FreedBy(ctx context.Context, captures []*ledger.Capture, going map[string]bool) (bytes int64, err error) {
	c, err := r.newCensus(ctx)
	if err != nil {
		return 0, err
	}
	for _, capture := range captures {
		owner := uint32(staying)
		if going[capture.ID] {
			owner = leaving
			bytes += capture.Info.Size
		} else if capture.Retired != nil {
			continue
		}
		if err := c.claim(ctx, capture, owner); err != nil {
			return 0, fmt.Errorf("capture %s: %w", capture.ID, err)
		}
	}
	err = c.tally(ctx, func(owner uint32, n int64) {
		if owner == leaving {
			bytes += n
		}
	})
	return bytes, err
}
