package weigh

import (
	"context"

	"github.com/kistarchive/kist/store/internal/ledger"
)

// FreedBy tells how many bytes would come free without some captures, by their ids, and why captures, by theirs, are not counted in full.
func (r *Scales) FreedBy(ctx context.Context, captures []*ledger.Capture, going map[string]bool) (bytes int64, inPart map[string]error, err error) {
	c, err := r.newCensus(ctx)
	if err != nil {
		return 0, nil, err
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
		return 0, nil, err
	}
	return t.groups[0].Alone, t.inPart, nil
}
