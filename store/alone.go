package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/kistarchive/kist/store/internal/format"
)

// errOvertaken is returned by whoever stood still for too long: others may have taken its
// lease for dead.
var errOvertaken = errors.New("it stood still for too long, and others went on without it: do it again")

// errBusy is returned where another machine is doing what only one may do at a time:
// reclaiming, or repairing. It comes in a *busyError where it is known who that is.
var errBusy = errors.New("somebody else is at it: try again later")

// busyError is errBusy with who is at it.
type busyError struct{ writer writer }

func (e *busyError) Error() string { return fmt.Sprintf("%v: %s", errBusy, e.writer) }

func (e *busyError) Unwrap() error { return errBusy }

// checkAlone makes sure that nobody else removes objects. Of two who begin at the
// same moment each may find the other.
func (r *Repository) checkAlone(ctx context.Context, l *lease) error {
	others, err := r.others(ctx, l)
	if err != nil {
		return err
	}
	for _, w := range others {
		if w.Work == format.WorkReclaim || w.Work == format.WorkRepair {
			return &busyError{w}
		}
	}
	return nil
}
