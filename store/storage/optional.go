package storage

import (
	"context"
	"time"
)

// The interfaces of this file are powers that a Storage may have beside its methods.
// Package store looks for them by type assertion when it opens or uses a repository,
// and does without those that are missing.
//
// Whoever wraps a Storage hides the powers of what is inside, unless the wrapper has
// the methods as well and passes them on. Where what is inside lacks one, they return
// errors.ErrUnsupported, which package store takes as if there were no such method.
// SetOptional, which returns nothing, then does nothing.

// A Clock is a [Storage] that can tell the present time by the same clock that gives
// Info.Modified.
//
// Without it, package store takes time.Now for the medium's time where it only looks,
// as in lists of what is retired and until when. Where it decides, it writes a mark and
// goes by that one's Modified instead.
type Clock interface {
	// Now gives the medium's present time, as coarse as it keeps times. It may have to
	// write to find out.
	Now(ctx context.Context) (time.Time, error)
}

// An Anchored is a [Storage] that may go away and leave an empty place, as a share does
// whose mount point lies bare. It looks for an object that is always there before it
// writes others.
//
// Without it, what is put after a share went away may land beside the repository.
type Anchored interface {
	// SetAnchor names the object; ErrBadName: no object can have that name. From now on
	// Put moves no other object into place while that one is missing, and returns
	// ErrGone. To name it again does no harm. It makes no call of the medium.
	SetAnchor(name string) error
}

// A Lenient is a [Storage] that misses the top folders of names, as [Folder] does, and can
// be told which may be missing: a copy of a repository may lack those that were empty.
//
// A Storage for which folders are but parts of names has no use for it.
type Lenient interface {
	// SetOptional names the top folders that Put and Mark make where they are missing,
	// once the anchor of SetAnchor was seen. It replaces those named before.
	SetOptional(folders ...string)
}

// A Sweeper is a [Storage] that leaves something on the medium when the power fails or
// the program is killed in the middle of Put, which List does not show.
//
// Without it, Reclaim of package store frees no such space.
type Sweeper interface {
	// RemoveAside removes what was left so, and was last written to more than age ago by
	// the medium's clock: others may be writing. It gives what it removed, also beside
	// an error. fs.ErrInvalid: age is below zero.
	RemoveAside(ctx context.Context, age time.Duration) ([]Info, error)
}

// A Namer is a [Storage] that can tell names without asking for what else is known of each
// object: a share's protocol takes a call for each object's length and time.
//
// Without it, package store lists with all that List gives.
type Namer interface {
	// Names is List for the names alone: all objects below folder, sorted, complete before
	// it returns, and with the errors of List.
	Names(ctx context.Context, folder string) ([]string, error)
}

// An AfterLister is a [Storage] that can list from a name on: an object store gives names in order, some
// thousand a request.
//
// Without it, package store lists a folder as a whole each time.
type AfterLister interface {
	// ListAfter is List for the objects whose names come behind after, bytewise, which no object needs to have. It is
	// sorted, complete before it returns, and has the errors of List. ErrBadName: CheckName refuses after; "" gives all.
	ListAfter(ctx context.Context, folder, after string) ([]Info, error)
}

// A FrontReader is a [Storage] that describes an object in the answer that has its first bytes: of an object store Stat and ReadAt take a
// request each.
//
// Without it, package store asks for an object's length before it reads what no listing told of.
type FrontReader interface {
	// ReadFront fills p with the first bytes of an object, as far as it has them, and describes it as Stat does, both of the same
	// object: min(len(p), Info.Size) bytes were read. ErrNotFound: there is none of that name. What p holds after an error is not specified.
	ReadFront(ctx context.Context, name string, p []byte) (Info, error)
}

// A Dropper is a [Storage] that can remove an object without a look whether it is there: that is a request of its own to an object
// store, which does not tell.
//
// Without it, package store calls Remove.
type Dropper interface {
	// Drop is Remove, but that it gives nil as well where there is no such object.
	Drop(ctx context.Context, name string) error
}

// A Parallel is a [Storage] where calls wait for something far away, so that more of them under way at the same time get more done.
//
// Package store has as many calls of Put for slabs under way, each of which may be held in memory, and as many of ReadAt for contents, each
// for up to 2 MiB. Without it, two slabs are put at the same time, and it reads by the number of processors, less with each call.
type Parallel interface {
	// Parallel gives how many calls of Put, and how many of ReadAt, are worth having under way at the same time; 0: no opinion. More
	// do no harm.
	Parallel() (writers, readers int)
}

// A Retainer is a [Storage] that may go on keeping what was removed, as a bucket that keeps versions does, until rules of its own let it go.
//
// Without it, package store takes what was removed for free.
type Retainer interface {
	// Retained tells how much of what was removed, and of what earlier objects of a name were, still takes room. Where nothing is kept
	// it asks no more than that. errors.ErrUnsupported: it can't be told, as where the caller has no right to see it.
	Retained(ctx context.Context) (Retained, error)
}

// Retained is what takes room though it was removed.
type Retained struct {
	Objects int
	Bytes   int64
}
