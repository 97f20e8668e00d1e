package reclaim

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/names"
)

// ErrVanished is returned by Reclaim where captures vanished without having been
// retired: their contents may still be there, for whoever finds the index files.
// The error is a *VanishedError.
var ErrVanished = errors.New("captures have vanished without being retired: nothing is removed")

// VanishedError is ErrVanished with the captures.
type VanishedError struct {
	Captures []string // their ids, sorted
}

func (e *VanishedError) Error() string {
	text := fmt.Sprintf("%v: %s", ErrVanished, strings.Join(e.Captures, ", "))
	if len(e.Captures) == 0 {
		return text
	}
	return fmt.Sprintf("%s (bring %s back from a copy, or give them up by repairing)", text, names.Capture(e.Captures[0], 0))
}

func (e *VanishedError) Unwrap() error { return ErrVanished }

func (v *survey) checkVanished(ctx context.Context) error {
	gone := v.going.Departures()
	elsewhere, err := v.r.ledger.ReadElsewhere(ctx)
	if err != nil {
		return err
	}
	missing, came, err := v.r.ledger.Vanished(ctx, v.captures, v.files, gone.With(elsewhere.Captures))
	if err != nil {
		return err
	}
	marked, late, err := v.r.ledger.Marked(ctx, v.stand, v.files, gone)
	if err != nil {
		return err
	}
	if late = append(came, late...); len(late) > 0 {
		// What it needs is not known, and without a grace time nobody looks again.
		return fmt.Errorf("%s is there and was not listed, so that what it needs is not known: the listing is late: %w", names.Capture(late[0], 0), lease.ErrBusy)
	}
	maps.Copy(missing, marked)
	if len(missing) == 0 {
		return nil
	}
	ids := slices.Sorted(maps.Keys(missing))
	return &VanishedError{ids}
}
