// Package volume reads a folder as a tar stream and writes a tar stream into a folder.
//
// [WriteTar] gives the same bytes for the same tree, every time: members are sorted, and nothing
// that reading changes (such as access times) is in the stream. [Extract] never writes outside the
// folder it was given, whatever the stream says. [Replace] puts what it restored into the place of a
// folder that is in use, all or nothing.
//
// The format is the pax interchange format of POSIX.1-2017 (pax, "pax Interchange Format"), with
// extended attributes as SCHILY.xattr.NAME records and POSIX ACLs as SCHILY.acl.access and
// SCHILY.acl.default records in text form with numeric ids, as GNU tar and libarchive read them
// with --xattrs and --acls. A '%' or '=' in an attribute's name is written as %25 or %3D, as both do.
//
// Owners, devices, hard links, attributes and ACLs are kept on Linux; owners, hard links and
// attributes on macOS; elsewhere what the Go standard library offers: contents, folders, symbolic
// links, permission bits and times.
package volume

import (
	"errors"
	"fmt"
)

// maxDepth is how many folders may lie within one another, in both directions. Linux refuses paths of
// more than 4,096 bytes in one call, thus about 2,000 levels, but more can be made step by step. Names
// in a stream are whole paths, so that time and space grow with the square of the depth.
const maxDepth = 1 << 14

// maxName is how long the path of a member may be, in bytes: archive/tar reads at most 1 MiB of pax
// records, and a hard link has two paths.
const maxName = 448 << 10

// bufferSize is how much content is moved at a time: it fits a second-level cache.
const bufferSize = 256 << 10

// A Note says that something was left out or may not be as the caller expects.
type Note struct {
	// Path is the member's name, without a leading "./"; "." is the folder itself. It comes from a
	// file system or a stream and may hold any byte but NUL: quote it before showing it.
	Path string
	// Reason is a short text for a person.
	Reason string
	// Members is how many members the note is about: 1, or more where Path is only the first.
	Members int
}

// ErrNotEmpty is returned by [Extract] when the folder it shall write into holds something.
var ErrNotEmpty = errors.New("the folder is not empty")

// A RefusedError is returned by [Extract] for a member that it will not write because the member
// could reach outside the folder, or has no safe meaning in it.
type RefusedError struct {
	Member string // the name as it stands in the stream
	Reason string
}

// Error says which member was refused and why.
func (e *RefusedError) Error() string {
	return fmt.Sprintf("member %q refused: %s", e.Member, e.Reason)
}
