package lease

import (
	"context"
	"errors"
	"time"

	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// Now gives the present time of the medium, for whoever only looks. To ask for it
// may take writing; where that fails, as on what is mounted read-only, it is guessed: this
// machine's clock, or the newest time among the marks where that is later.
func (r *Leases) Now(ctx context.Context) (now time.Time, guessed bool, err error) {
	c, ok := r.storage.(storage.Clock)
	if !ok {
		return time.Now(), false, nil
	}
	if now, err = c.Now(ctx); err == nil || ctx.Err() != nil {
		return now, false, err
	}
	if errors.Is(err, errors.ErrUnsupported) {
		return time.Now(), false, nil // a wrapper around what is no Clock
	}
	now = time.Now()
	for _, folder := range names.Marks() {
		infos, err := r.vault.ListMarks(ctx, folder)
		if err != nil {
			return now, true, err
		}
		for _, info := range infos {
			now = ledger.Later(now, info.Modified)
		}
	}
	return now, true, nil
}
