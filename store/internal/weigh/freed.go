package weigh

import (
	"context"

	"github.com/kistarchive/kist/store/internal/ledger"
)

// Freed says what would come free without some captures, in bytes.
type Freed struct {
	Bytes  int64
	Slabs  int64            // what the chunks of all slabs take
	Dead   int64            // of that: what no capture would need then
	InPart map[string]error // why captures, by their ids, are not counted in full
}

// FreedBy tells what would come free without some captures, by their ids.
func (r *Scales) FreedBy(ctx context.Context, captures []*ledger.Capture, going map[string]bool) (*Freed, error) {
	c, err := r.newCensus(ctx)
	if err != nil {
		return nil, err
	}
	var leaving, staying group
	var indexes int64 // of those that stay
	for _, capture := range captures {
		switch {
		case going[capture.ID]:
			leaving = append(leaving, capture)
		case capture.Retired == nil:
			staying, indexes = append(staying, capture), indexes+capture.Info.Size
		}
	}
	t, err := c.count(ctx, []group{leaving, staying})
	if err != nil {
		return nil, err
	}
	return &Freed{Bytes: t.groups[0].Alone, Slabs: c.total, Dead: c.total + indexes - t.groups[1].Stored, InPart: t.inPart}, nil
}
