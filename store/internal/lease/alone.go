package lease

import (
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/store/internal/format"
)

// ErrOvertaken is returned by whoever stood still for too long, so that others may have taken its
// lease for dead, and by a capture that began just as somebody who reclaims named what it relies on.
var ErrOvertaken = errors.New("others went on without it, as it stood still for long, or began just as they did: do it again")

// ErrBusy is returned where another machine is doing what only one may do at a time:
// reclaiming, or repairing. It comes in a *BusyError where it is known who that is.
var ErrBusy = errors.New("somebody else is at it: try again later")

// BusyError is ErrBusy with who is at it.
type BusyError struct{ Writer Writer }

func (e *BusyError) Error() string { return fmt.Sprintf("%v: %s", ErrBusy, e.Writer) }

func (e *BusyError) Unwrap() error { return ErrBusy }

// Alone makes sure that nobody else removes objects. Of two who begin at the
// same moment each may find the other.
func (r *Leases) Alone(ctx context.Context, l *Lease) error {
	others, err := r.Others(ctx, l)
	if err != nil {
		return err
	}
	for _, w := range others {
		if w.Work == format.WorkReclaim || w.Work == format.WorkRepair {
			return &BusyError{w}
		}
	}
	return nil
}
