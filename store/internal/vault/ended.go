package vault

import (
	"context"
	"errors"
)

// endedError is an error of what was ended by its context: why, and that it was.
type endedError struct {
	error
	cause, ended error
}

func (e *endedError) Unwrap() []error { return []error{e.error, e.cause, e.ended} }

// NoteEnd sees that an error that comes of the end of ctx has both context.Cause and
// ctx.Err in its chain: what is at work below may know only one of them.
func NoteEnd(ctx context.Context, err *error) {
	ended, cause := ctx.Err(), context.Cause(ctx)
	if *err == nil || ended == nil {
		return
	}
	hasCause, hasEnd := errors.Is(*err, cause), errors.Is(*err, ended)
	if hasCause != hasEnd {
		*err = &endedError{*err, cause, ended}
	}
}
