package storage

import (
	"errors"
	"io/fs"
	"os"
	"strings"

	"github.com/kistarchive/kist/store/storage/internal/sentinel"
)

// Errors that callers tell apart, by errors.Is. What the operating system reports
// (no space, read-only, input or output error) stays in the chain as well.
var (
	// ErrNotFound is returned when there is no object of the given name. It is
	// fs.ErrNotExist, too.
	ErrNotFound = sentinel.New("no such object", fs.ErrNotExist)

	// ErrExists is returned when a name is taken already. It is fs.ErrExist, too.
	ErrExists = sentinel.New("the name is taken already", fs.ErrExist)

	// ErrBadName is returned for a name that CheckName refuses.
	ErrBadName = errors.New("not a valid object name")

	// ErrGone is returned when a folder or the anchor that must be there is not: most
	// likely a share is no longer mounted, and its mount point lies bare.
	ErrGone = errors.New("part of the repository is missing; the share may have gone away: see that it is mounted")

	// ErrLate is returned, by implementations that can tell, when an object does not show that was put through them
	// just now: the storage lags behind or lost it, or others removed it at once. It is no ErrNotFound, as it may be
	// there all the same.
	ErrLate = errors.New("an object that was put just now does not show")

	// ErrNotEmpty is returned when a folder that is to become a repository holds
	// something.
	ErrNotEmpty = errors.New("the folder is not empty: choose an empty or a new one")
)

// Error tells which operation failed, on which object, and at which step.
type Error struct {
	Op     string // the method: "put", "mark", "read", "list", "stat", "remove", …
	Name   string // the object, or the folder for List; may be empty
	Folder string // the repository's folder; empty where there is none
	Call   string // the step that failed: "write", "sync", "rename", …; may be empty
	Err    error
}

// Error gives one line such as
// "put slabs/ab/x in /mnt/share/kist: sync: no space left on device".
func (e *Error) Error() string {
	var b strings.Builder
	b.WriteString(e.Op)
	if e.Name != "" {
		b.WriteString(" " + e.Name)
	}
	if e.Folder != "" {
		b.WriteString(" in " + e.Folder)
	}
	if e.Call != "" {
		b.WriteString(": " + e.Call)
	}
	return b.String() + ": " + e.Err.Error()
}

// Unwrap gives the cause.
func (e *Error) Unwrap() error { return e.Err }

// operation is what an error says of the method that is under way.
type operation struct{ op, name, folder string }

// fail dresses err in an *Error, once; nil stays nil.
func (o operation) fail(call string, err error) error {
	if err == nil {
		return nil
	}
	if e, ok := err.(*Error); ok {
		return e
	}
	return o.wrap(call, err)
}

// wrap dresses err in an *Error even if it is one, of another operation.
func (o operation) wrap(call string, err error) error {
	return &Error{Op: o.op, Name: o.name, Folder: o.folder, Call: call, Err: bare(err)}
}

// bare strips what the os package says of paths: Error says it already.
func bare(err error) error {
	switch e := err.(type) {
	case *fs.PathError:
		return e.Err
	case *os.LinkError:
		return e.Err
	case *os.SyscallError:
		return e.Err
	}
	return err
}
