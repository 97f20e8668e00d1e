package reclaim

import (
	"context"
	"errors"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// mostVerifications is how many marks of verifications cleaning leaves: those that noting them
// left are a dozen at most, unless it was stopped.
const mostVerifications = 64

// NoteVerification says what verifying found, in the place of what that makes superfluous of
// the marks that were there before it began. Nothing goes by it, so it takes no lease.
func (r *Keeper) NoteVerification(ctx context.Context, before *ledger.Verifications, found *format.VerificationRecord) error {
	if err := r.putVerification(ctx, found); err != nil {
		return err
	}
	for _, mark := range before.Marks {
		if found.Supersedes(mark.Record) {
			r.storage.Remove(ctx, mark.Name) // if it stays the next one removes it
		}
	}
	return nil
}

func (r *Keeper) putVerification(ctx context.Context, found *format.VerificationRecord) error {
	for {
		err := vault.PutMark(ctx, r.vault, format.Verification, names.NewVerification(time.Now()), found)
		if !errors.Is(err, storage.ErrExists) {
			return err
		}
	}
}

// oldVerifications gives the names of marks that are many too many.
func (c *reclaimer) oldVerifications(ctx context.Context) []string {
	all, err := c.r.ledger.ListVerifications(ctx)
	if err != nil || len(all) <= mostVerifications {
		return nil
	}
	return all[:len(all)-mostVerifications]
}
