package reclaim

import (
	"context"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// mostVerifications is how many marks of verifications cleaning leaves: those that noting them
// left are a dozen at most, unless it was stopped.
const mostVerifications = 64

// NoteVerification says what verifying found, in the place of what that makes superfluous of
// the marks that were there before it began. Nothing goes by it, so it takes no lease.
func (r *Keeper) NoteVerification(ctx context.Context, before *ledger.Verifications, found *format.VerificationRecord) error {
	if err := r.ledger.PutVerification(ctx, found); err != nil {
		return err
	}
	for _, mark := range before.Marks {
		if found.Supersedes(mark.Record) {
			r.storage.Remove(ctx, mark.Name) // if it stays the next one removes it
		}
	}
	return nil
}

// oldVerifications gives the names of marks that are many too many.
func (c *reclaimer) oldVerifications(ctx context.Context) []string {
	all, err := c.r.ledger.ListVerifications(ctx)
	if err != nil || len(all) <= mostVerifications {
		return nil
	}
	return all[:len(all)-mostVerifications]
}
