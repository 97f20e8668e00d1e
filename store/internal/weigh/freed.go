package weigh

import (
	"context"
	"fmt"

	"github.com/kistarchive/kist/store/internal/ledger"
)

// FreedBy tells how many bytes would come free without some captures, by their ids.
func (r *Scales) FreedBy(ctx context.Context, captures []*ledger.Capture, going map[string]bool) (bytes int64, err error) {
	c, err := r.newCensus(ctx)
	if err != nil {
		return 0, err
	}
	var leaving, staying group
	for _, capture := range captures {
		switch {
		case going[capture.ID]:
			leaving = append(leaving, capture)
		case capture.Retired == nil:
			staying = append(staying, capture)
		}
	}
	t, err := c.count(ctx, []group{leaving, staying})
	if err != nil {
		return 0, err
	}
	for _, capture := range captures {
		if err := t.inPart[capture.ID]; err != nil {
			return 0, fmt.Errorf("capture %s: %w", capture.ID, err)
		}
	}
	return t.groups[0].Alone, nil
}
