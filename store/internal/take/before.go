package take

import (
	"context"
	"time"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
)

// Before gives the newest capture of a name and host that is not retired and was taken no
// later than that, or nil. It reads few index files; one that can't be read is passed over.
func (r *Taker) Before(ctx context.Context, name, host string, taken time.Time) (*ledger.Capture, error) {
	files, err := r.ledger.ListCaptures(ctx)
	if err != nil {
		return nil, err
	}
	marks, err := r.vault.ListMarks(ctx, names.Retired)
	if err != nil {
		return nil, err
	}
	gone, err := r.retired(ctx, marks)
	if err != nil {
		return nil, err
	}
	c := r.latestLike(ctx, files, func(c *ledger.Capture) bool {
		return c.Name == name && c.Host == host && !c.Taken.After(taken) && !gone[c.ID]
	})
	return c, ctx.Err()
}
