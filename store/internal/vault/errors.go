package vault

import (
	"errors"
	"io/fs"
	"strings"

	"github.com/kistarchive/kist/store/internal/format"
)

// Errors that package store gives out under the same names, and describes.
var (
	ErrNoRepository = errors.New("no kist repository")
	ErrExists       = errors.New("there is a kist repository already")
	ErrLeft         = errors.New("what was put before may be left")
	ErrLastSlot     = errors.New("the last key slot can't be removed: nobody could open the repository again")
	ErrBadOptions   = errors.New("bad options")
	ErrSamePlace    = errors.New("it is the same place of the repository, or a copy of its files that has no identity of its own")
	ErrNotReplica   = errors.New("it is another repository, and no second place of this one")

	ErrNotFound error = &sentinel{"not found", fs.ErrNotExist}
)

// sentinel is an error to compare with that is of a kind of package io/fs as well.
type sentinel struct {
	text string
	kind error
}

func (s *sentinel) Error() string { return s.text }

func (s *sentinel) Unwrap() error { return s.kind }

// ObjectError names the object that an error is about.
type ObjectError struct {
	Object string
	Err    error
}

func (e *ObjectError) Error() string { return e.Object + ": " + e.Err.Error() }

func (e *ObjectError) Unwrap() error { return e.Err }

// ProblemOf gives what an error about an object says, without its name.
func ProblemOf(object string, err error) string {
	return strings.TrimPrefix(err.Error(), object+": ")
}

// IsDamage tells errors that are about one object, which is not what it should
// be, or not to this release, from those that stop everything.
func IsDamage(err error) bool {
	return errors.Is(err, format.ErrDamaged) || errors.Is(err, format.ErrUnknownVersion)
}
