// Package format encodes and decodes what a repository holds on disk: object
// headers, slabs, tables, index files and recipes of format version 1.
// store/FORMAT.md specifies it byte by byte.
//
// Everything here works on bytes in memory and trusts none of them: lengths are
// bounded before they are allocated, and no input makes a decoder panic.
package format

import (
	"errors"
	"fmt"
)

// Version is the format version that this package writes, and the only one
// that it reads. Version numbers are never reused.
const Version = 1

// Limits that a reader enforces before it allocates. A writer stays within
// them; see the table of limits in store/FORMAT.md.
const (
	FrameTarget = 1 << 20 // a frame is closed before it holds more than this, in bytes
	// DeltaTarget takes its place for frames of contents where deltas are written: a base is decompressed as a whole,
	// however little of it is wanted.
	DeltaTarget    = 256 << 10
	SlabTarget     = 32 << 20      // a slab is closed before all of it would be longer than this, in bytes
	MaxChunk       = 4 << 20       // the longest chunk: four times the largest average
	MaxFrameRaw    = 8 << 20       // uncompressed bytes of a frame
	MaxFrameSealed = 9 << 20       // the same compressed and sealed
	MaxFrameChunks = 8 << 10       // chunks in a frame
	MaxSlabChunks  = 1 << 20       // chunks in a slab
	MaxSlab        = 1 << 30       // bytes of a slab
	MaxSection     = 64 << 20      // bytes of a slab's section
	MaxRecord      = 64 << 20      // bytes of one sealed record of a table
	MaxIndexFile   = 16 << 20      // bytes of an index file
	MaxIndexItems  = 1 << 19       // CBOR items of an index file, at all depths
	MaxMark        = 64 << 20      // bytes of a mark: a batch names up to some millions of slabs
	MaxMemberHead  = 1<<20 + 1<<16 // header bytes in one entry of a member list
)

// Errors of decoding. Each error returned wraps one of these.
var (
	// ErrDamaged is returned when bytes are not what their writer wrote.
	ErrDamaged = errors.New("damaged")
	// ErrUnknownVersion is returned for a format version that this package
	// does not know.
	ErrUnknownVersion = errors.New("unknown format version")
	// ErrUnknownPart is returned for a required part (a field, a section, a
	// frame kind, a wrapping) that this package does not know. It is an
	// ErrUnknownVersion too: a newer release is needed.
	ErrUnknownPart = fmt.Errorf("%w: a part that may not be skipped", ErrUnknownVersion)
)

func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrDamaged, fmt.Sprintf(format, args...))
}

func unknownPart(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrUnknownPart, fmt.Sprintf(format, args...))
}
