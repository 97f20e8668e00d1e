package vault

import "errors"

// Errors that package store gives out under the same names, and describes.
var (
	ErrNoRepository = errors.New("no kist repository")
	ErrExists       = errors.New("there is a kist repository already")
	ErrLastSlot     = errors.New("the last key slot can't be removed: nobody could open the repository again")
	ErrBadOptions   = errors.New("bad options")
	ErrNotFound     = errors.New("not found")
)
