// Package storage holds objects by name: in a folder of a local disk or of a
// mounted share ([Folder]), or in memory for tests ([Memory]).
//
// An object is written once, under a name never used before, and never changed:
// all that changes over time is which objects exist. The interface therefore has
// no rename, no append and no lock, and fits a folder as well as an object store.
//
// What a medium can do beside that, it says by further interfaces, each with one
// method: [Clock], [Anchored], [Lenient], [Sweeper], [Namer], [AfterLister], [FrontReader],
// [Dropper], [Parallel], [Retainer].
//
// Package storagetest holds a conformance suite for further implementations, and
// a wrapper that injects faults. To work as [Folder] does on another file system, it
// is enough to implement package files, for [OpenFolderAt].
package storage

import (
	"context"
	"io"
	"time"
)

// A Storage holds objects by name. Names are those that [CheckName] accepts; every
// method refuses all others with [ErrBadName], whatever there is. Only List takes ""
// as well.
//
// The elements of a name before the last are its folders. They come with their
// objects, need not be made, and are no objects: for ReadAt, Stat and Remove there is
// none of such a name. For Put and Mark it is taken where the medium has folders; where they
// are but parts of names, as in an object store, it may be free, and nobody relies on either. Nor is
// an object's name ever used as a folder; what Put and Mark do then is not specified.
//
// All methods may be called at once from any number of goroutines, and objects
// may come and go at the hands of other processes and machines.
// No method may panic: package store calls them from goroutines of its own, where a panic ends the process, as a kill
// would: what was committed stays, what was under way is left behind, and nobody's deferred functions run.
//
// When ctx ends, a method returns its error soon after, even while the medium does
// not answer; what it had begun may then still be finished behind its back. Every
// error is an [*Error] and wraps one of this package's sentinels, ctx's error, or
// what the operating system said.
type Storage interface {
	// Put stores what content gives until io.EOF, under a name never used before.
	//
	// When it returns nil, the object is complete and has been flushed, and so has
	// its place in its folder: it outlives a power failure. When it returns an
	// error, the object is absent, or complete where only the last flush failed or
	// the medium's answer was lost; it is never there in part. The name must not be
	// used again either way.
	//
	// ErrExists: the name is taken, by an object or as a folder of others. Put is no
	// arbiter between callers who race for one name; Mark is. content is read in the caller's goroutine, and not after
	// Put returns; its read error abandons the object and is returned. Content may
	// take its time: a slab's comes as fast as what is captured. Where it may block
	// it must itself heed ctx.
	Put(ctx context.Context, name string, content io.Reader) error

	// Mark creates a small object exclusively: of any number of callers who race for
	// a name, on any number of machines, one gets nil and the others ErrExists.
	//
	// When it returns nil, the object is complete and flushed, as after Put. A crash
	// or any error but ErrExists may leave it absent, empty, cut short or complete:
	// readers must expect that. A folder's name is taken, as for Put. content is the
	// caller's again when Mark returns.
	Mark(ctx context.Context, name string, content []byte) error

	// ReadAt fills p from byte off of the object on.
	//
	// ErrNotFound: there is no such object. io.ErrUnexpectedEOF: it is shorter than
	// off+len(p). Both are found with an empty p, too. fs.ErrInvalid: off is below
	// zero, or off+len(p) is beyond an int64. What p holds after an error is not
	// specified.
	ReadAt(ctx context.Context, name string, p []byte, off int64) error

	// List gives all objects below folder (whose names start with folder and "/"), at
	// any depth, or all objects if folder is "". They are sorted by name, bytewise.
	// folder has no slash at its end and is no object's name; ErrBadName: CheckName
	// refuses it.
	//
	// The list is complete before List returns: callers may remove objects while they
	// walk it. Objects that come or go meanwhile may or may not be in it. A folder
	// that holds nothing gives an empty list, also if it never held anything; ErrGone
	// where a Storage knows which top folders must be there, and misses this one.
	List(ctx context.Context, folder string) ([]Info, error)

	// Stat describes one object. ErrNotFound: there is none of that name.
	Stat(ctx context.Context, name string) (Info, error)

	// Remove removes an object. When it returns nil, the object is gone, and its
	// folder has been flushed: it does not come back after a power failure.
	//
	// ErrNotFound: there is no such object. After any other error it may be there or
	// not.
	Remove(ctx context.Context, name string) error
}

// Info describes one object.
type Info struct {
	Name string
	Size int64 // bytes

	// Modified is when the object was written, by the clock of the medium. Compare it
	// with other objects' times and with [Clock]'s Now only, never with the local clock,
	// and allow for 5 seconds of slack: some shares keep whole or even seconds.
	Modified time.Time
}
