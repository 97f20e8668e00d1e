package volume

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// ReplaceOptions change how Replace works. The zero value keeps the previous tree.
type ReplaceOptions struct {
	// DiscardPrevious removes the previous tree when the new one is in its place.
	DiscardPrevious bool
	// Now gives the time for the dated name of the previous tree; nil means time.Now.
	Now func() time.Time
}

// A Replaced says what Replace did.
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
	// folders, what is no folder, a link that leads nowhere, a folder with a mount point below it.
	ErrNotReplaceable = errors.New("this can't be replaced")

	// ErrTorn is returned by Replace when the exchange failed halfway and could not be undone
	// either. Nothing is lost, but the old tree is not in its place: Recover puts it there.
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
// The target may be missing, while its parent must exist; a symbolic link given as target is
// followed and stays. The new tree's top folder has what build gives it; before, it has the owner
// and mode of the old one, so that a tree which says nothing of them keeps them. A process that is
// at work in target meanwhile keeps seeing the old tree, under its new name, until it opens target
// by its name again: stop it first. ErrNotReplaceable is returned for "/", for what is no folder and
// for a folder with mount points below it.
//
// A mount point can't be renamed. There the new tree is built in a hidden folder inside, and the
// entries are moved one after the other: the old ones into a folder .before-20260314t020305z inside,
// then the new ones into place. Folders of that name from earlier calls stay where they are, unless
// the new tree has one of the name. The mount's root is given owner, mode, attributes and time of the
// new tree at the end; what it can't be given is reported.
//
// On an error, also after ctx is done, target holds exactly what it did and what was built is
// removed, with two exceptions: with ErrTorn the way back failed too, and with ErrNotDiscarded
// the new tree is in place and Replaced says where the rest of the old one is. What could not be
// removed is named. From the exchange on, ctx isn't looked at. What a kill leaves behind is sorted out by the next call, or by Recover.
//
// Calls for different targets may run at the same time, calls for one target must not.
func Replace(ctx context.Context, target string, build func(ctx context.Context, dir string) error, o ReplaceOptions) (*Replaced, error) {
	return replace(ctx, target, build, o, disk{})
}

func replace(ctx context.Context, target string, build func(ctx context.Context, dir string) error, o ReplaceOptions, m mover) (*Replaced, error) {
	s, _, err := orderedSite(target, m)
	if err != nil {
		return nil, err
	}
	now := time.Now
	if o.Now != nil {
		now = o.Now
	}
	r := &replacement{mover: m, site: s, stamp: s.freeStamp(now())}
	if s.mounted {
		if r.oldLook, err = lookAt(s.path); err != nil {
			return nil, err
		}
	}
	done, err := r.run(ctx, build)
	if err != nil {
		return nil, r.back(fmt.Errorf("replacing %s: %w", s.path, err))
	}
	return done, r.discard(done, o.DiscardPrevious)
}

// discard removes the previous tree if it is not wanted, or empty.
func (r *replacement) discard(done *Replaced, unwanted bool) error {
	if done.Previous == "" {
		return nil
	}
	if !unwanted {
		if r.removeEmpty(done.Previous) != nil && exists(done.Previous) {
			return nil
		}
	} else if err := r.removePrevious(done.Previous); err != nil && exists(done.Previous) {
		return fmt.Errorf("%w: %w", ErrNotDiscarded, err)
	}
	done.Previous = ""
	if r.mounted { // removing changed the root's time
		done.NotRestored = append(done.NotRestored, dressAgain(r, r.path, r.newLook)...)
	}
	return nil
}

// removePrevious removes the old tree unless something was mounted in it meanwhile.
func (r *replacement) removePrevious(previous string) error {
	if err := (&site{path: previous}).findMounts(); err != nil {
		return err
	}
	return r.removeAll(previous)
}

// replacement is one run of Replace.
type replacement struct {
	mover
	*site
	stamp string
	made  string // where the new tree is, until it is in place
	id    inode  // of its top folder
	undo  []func() error

	oldLook, newLook *look // of a mount point's root
}

func (r *replacement) run(ctx context.Context, build func(ctx context.Context, dir string) error) (*Replaced, error) {
	if err := r.build(ctx, build); err != nil {
		return nil, err
	}
	if r.mounted {
		return r.moveEntries()
	}
	return r.exchangeTrees()
}

// build has the new tree built and flushed.
func (r *replacement) build(ctx context.Context, build func(ctx context.Context, dir string) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	dir := r.name("new-", strings.ToLower(rand.Text()[:6]))
	if err := r.mkdir(dir, r.path); err != nil {
		return err
	}
	r.made = dir
	var err error
	if r.id, err = identify(dir); err != nil {
		return err
	}
	if err := build(ctx, dir); err != nil {
		return err
	}
	if err := r.flushTree(dir); err != nil {
		return err
	}
	return ctx.Err()
}

// exchangeTrees puts the new tree into the place of the old one. Its name tells Recover meanwhile which
// of the two it is: a kill may leave the old tree under it.
func (r *replacement) exchangeTrees() (*Replaced, error) {
	ready := r.name("new-", r.stamp+"."+strconv.FormatUint(r.id.ino, 10))
	if err := r.relabel(ready); err != nil {
		return nil, err
	}
	done := &Replaced{How: Renamed}
	var err error
	if r.exists {
		done.Previous = r.name("before-", r.stamp)
		done.How, err = r.swap(ready, done.Previous)
	} else {
		err = r.move(ready, r.path)
	}
	if err == nil {
		err = r.flush(filepath.Dir(r.path))
	}
	return done, err
}

// swap exchanges the old tree with the one at ready, in one step or else in two.
func (r *replacement) swap(ready, previous string) (Way, error) {
	err := r.exchangeBoth(ready)
	if errors.Is(err, errors.ErrUnsupported) {
		if err = r.move(r.path, previous); err == nil {
			err = r.move(ready, r.path)
		}
		return RenamedTwice, err
	}
	if err == nil {
		err = r.move(ready, previous)
	}
	return Exchanged, err
}

// exchangeBoth swaps the names of the new tree and the old one.
func (r *replacement) exchangeBoth(ready string) error {
	err := r.exchange(ready, r.path)
	if err != nil {
		if id, _ := identify(r.path); id != r.id || id == (inode{}) {
			return err
		}
	}
	r.made = r.path
	r.undo = append(r.undo, func() error {
		r.made = ready
		return r.exchange(ready, r.path)
	})
	return nil
}

// move renames, and notes how to undo it.
func (r *replacement) move(from, to string) error {
	if err := r.renamed(from, to); err != nil {
		return err
	}
	tree := from == r.made
	if tree {
		r.made = to
	}
	r.undo = append(r.undo, func() error {
		if tree {
			r.made = from
		}
		return r.renamed(to, from)
	})
	return nil
}

// relabel gives the new tree another name, which is no step into its place and needs no way back.
func (r *replacement) relabel(to string) error {
	err := r.renamed(r.made, to)
	if err == nil {
		r.made = to
	}
	return err
}

// renamed renames. A share may do what is asked and report a failure.
func (r *replacement) renamed(from, to string) error {
	id, err := identify(from)
	if err != nil {
		return err
	}
	if err := r.rename(from, to); err != nil {
		if there, _ := identify(to); there != id || id == (inode{}) {
			return err
		}
	}
	return nil
}

// back undoes what was done before err, and removes the new tree.
func (r *replacement) back(err error) error {
	for _, undo := range slices.Backward(r.undo) {
		if failed := undo(); failed != nil {
			return fmt.Errorf("%w: %w, after: %w", ErrTorn, failed, err)
		}
	}
	if len(r.undo) > 0 {
		err = errors.Join(err, r.flush(filepath.Dir(r.made)))
	}
	if r.made != "" {
		err = errors.Join(err, r.removeAll(r.made))
	}
	if r.oldLook != nil { // at least the time changed
		_, failed := r.dress(r.path, r.oldLook)
		err = errors.Join(err, failed)
	}
	return err
}
