package volume

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// ReplaceOptions change how [Replace] works. The zero value keeps the previous tree.
type ReplaceOptions struct {
	// DiscardPrevious removes the previous tree when the new one is in its place. ErrGuarded is
	// returned, and nothing done, where nobody else may write in target but others may in the folder
	// above it: they may have moved something there that is not to be removed.
	DiscardPrevious bool
	// Now gives the time for the dated name of the previous tree; nil means time.Now.
	Now func() time.Time
	// Aside, if set, is told, from the calling goroutine, the identity of each folder that may be found aside later:
	// that of a new one before anything is put into it, and that of what target holds before it is replaced. An error
	// of it ends the call.
	Aside func(Identity) error
}

// A Replaced says what [Replace] did.
type Replaced struct {
	// Previous is where the tree that target held is now, or "" where there was none or it was
	// discarded.
	Previous string
	// How is the way in which the new tree came into its place.
	How Way
	// NotRestored lists what the root of a mount could not be given of the new tree's own owner,
	// mode, attributes and time.
	NotRestored []Note
}

// A Way is one in which a tree comes into its place.
type Way int

const (
	// Renamed: target was missing, and the new tree was renamed to it.
	Renamed Way = iota + 1
	// Exchanged: the new tree and the old one swapped names in one step, so that target was never
	// missing (renameat2(2), RENAME_EXCHANGE).
	Exchanged
	// RenamedTwice: the old tree was renamed, then the new one, since the system or the file system
	// can't exchange. For a moment target was missing.
	RenamedTwice
	// EntryByEntry: target is a mount point, whose entries were moved one after the other.
	EntryByEntry
)

// String says it in few words.
func (w Way) String() string {
	switch w {
	case Renamed:
		return "renamed into place"
	case Exchanged:
		return "exchanged"
	case RenamedTwice:
		return "renamed in two steps"
	case EntryByEntry:
		return "moved entry by entry"
	}
	return fmt.Sprintf("Way(%d)", int(w))
}

var (
	// ErrNotReplaceable is returned by Replace for a target that it won't touch: the root of all
	// folders, what is no folder, a link that leads nowhere, a folder with a mount point below it. A
	// link that others may change is a *LinkError.
	ErrNotReplaceable = errors.New("this can't be replaced")

	// ErrTorn is returned by Replace when the exchange failed halfway and could not be undone
	// either, and by RemoveAside for what a killed exchange left. Nothing is lost, but the old tree is not in its place:
	// Recover puts it there.
	ErrTorn = errors.New("the old tree is not in its place")

	// ErrNotDiscarded is returned by Replace, together with what it did, when the new tree is in
	// its place but the previous one could not be removed.
	ErrNotDiscarded = errors.New("the previous tree could not be removed")
)

// Replace puts a new tree in the place of what target holds, all or nothing. It gives build an empty
// folder beside target to write the new tree into. Only when build has succeeded and everything has
// been flushed to the disk, which build need not do, is the new tree exchanged with the old one, which stays beside target under a
// dated name: NAME.before-20260314t020305z, or with -2, -3 … where that is taken. Until then the new
// tree is called NAME.new- and random letters.
//
// The target may be missing, while its parent must exist; a symbolic link given as target, or on the way to
// it, is followed by the rule of [OpenFolder] and stays. The new tree's top folder has what build gives it; if build
// gives it no mode, it has the owner and mode of the old one. A process that is
// at work in target meanwhile keeps seeing the old tree, under its new name, until it opens target
// by its name again: stop it first. [ErrNotReplaceable] is returned for "/", for what is no folder and
// for a folder with mount points below it.
//
// A mount point can't be renamed. There the new tree is built in a hidden folder inside, and the
// entries are moved one after the other: first the old ones, then the new ones into place; at the end the
// old ones are in a folder .before-20260314t020305z inside. Folders of that name from earlier calls stay where they are, unless
// the new tree has one of the name. The mount's root is given owner, mode, attributes and time of the
// new tree at the end; what it can't be given is reported.
//
// Other users may own target, the folder above it, or both, and change what they can while Replace runs
// as root: it goes by open folders, and what it makes belongs to the caller, who alone may enter it, until just before
// the exchange. They may bring it to fail with [ErrMeddled], and then rename or remove what they own, but
// get nothing else: no folder is written to, given away or removed but the new tree and what was at
// target. That build is given a path is an exception, which [ReplaceFolder] doesn't have: where others own
// the folder above target, they may lead it elsewhere.
//
// On an error, also after ctx is done, target holds exactly what it did and what was built is
// removed, with two exceptions: with [ErrTorn] the way back failed too, and with [ErrNotDiscarded]
// the new tree is in place and [Replaced] says where the rest of the old one is. What could not be
// removed is named. From the exchange on, ctx isn't looked at. What a kill leaves behind is sorted out by the next call, or by [Recover].
//
// Calls for different targets may run at the same time, calls for one target must not.
func Replace(ctx context.Context, target string, build func(ctx context.Context, dir string) error, o ReplaceOptions) (*Replaced, error) {
	return replace(ctx, target, build, o, disk{})
}

func replace(ctx context.Context, target string, build func(ctx context.Context, dir string) error, o ReplaceOptions, m mover) (*Replaced, error) {
	return replaceFolder(ctx, target, func(ctx context.Context, f *Folder) error {
		asMade, err := f.mark()
		if err != nil {
			return err
		}
		if err := build(ctx, f.path); err != nil {
			return err
		}
		return f.noteLook(asMade)
	}, o, m)
}

// ReplaceFolder is [Replace] for a build that is given an open folder. A stream that [ExtractInto] restores
// into the folder itself, rather than into folders in it, gives it its look just before the exchange: until then nobody but the
// caller gets at anything in it. The folder is closed when ReplaceFolder returns.
func ReplaceFolder(ctx context.Context, target string, build func(ctx context.Context, f *Folder) error, o ReplaceOptions) (*Replaced, error) {
	return replaceFolder(ctx, target, build, o, disk{})
}

func replaceFolder(ctx context.Context, target string, build func(ctx context.Context, f *Folder) error, o ReplaceOptions, m mover) (*Replaced, error) {
	s, _, err := orderedSite(target, m)
	if err != nil {
		return nil, err
	}
	defer s.close()
	if o.DiscardPrevious && s.live != nil && !s.mounted && guarded(s.above, s.live) {
		return nil, fmt.Errorf("%s lies in a folder where others may write, but they can't write in it: %w: it is not removed, but would be kept", s.path, ErrGuarded)
	}
	now := time.Now
	if o.Now != nil {
		now = o.Now
	}
	r := &replacement{mover: m, site: s, stamp: s.freeStamp(now()), told: o.Aside}
	defer r.close()
	if s.mounted {
		if r.oldLook, err = lookAt(s.live); err != nil {
			return nil, err
		}
	}
	done, err := r.run(ctx, build)
	if err != nil {
		what := "replacing"
		if s.live == nil {
			what = "making"
		}
		return nil, r.back(fmt.Errorf("%s %s: %w", what, s.path, err))
	}
	return done, r.discard(done, o.DiscardPrevious)
}
