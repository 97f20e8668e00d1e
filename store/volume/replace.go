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

// discard removes the previous tree if it is not wanted, or empty.
func (r *replacement) discard(done *Replaced, unwanted bool) error {
	if done.Previous == "" {
		return nil
	}
	name := filepath.Base(done.Previous)
	if !unwanted {
		if r.removeEmpty(r.home, name) != nil && there(r.home, name) {
			return r.keepMarked(done)
		}
	} else if err := r.removePrevious(done.Previous); err != nil && there(r.home, name) {
		return fmt.Errorf("%w: %w", ErrNotDiscarded, err)
	}
	done.Previous = ""
	if err := r.aside.drop(); err != nil {
		return err
	}
	if r.mounted { // removing changed the root's time
		done.NotRestored = append(done.NotRestored, dressAgain(r, r.live, r.newLook)...)
	}
	return nil
}

// keepMarked leaves nothing but the old tree marked.
func (r *replacement) keepMarked(done *Replaced) error {
	if !r.mounted {
		return nil
	}
	id, err := identityAt(r.home, filepath.Base(done.Previous))
	if err == nil {
		err = r.aside.only(id)
	}
	if err != nil {
		done.NotRestored = append(done.NotRestored, Note{".", fmt.Sprintf("the mark of what is set aside: %v", err), 1})
	}
	return nil
}

// removePrevious removes the old tree unless something was mounted in it meanwhile.
func (r *replacement) removePrevious(previous string) error {
	if err := (&site{path: previous}).findMounts(); err != nil {
		return err
	}
	return r.removeAll(r.home, filepath.Base(previous), r.previous)
}

// replacement is one run of Replace.
type replacement struct {
	mover
	*site
	stamp    string
	made     string  // the name in home of the new tree, until it is in place, or of the folder that has it
	id       inode   // of what has that name
	staged   *folder // what has that name
	top      *Folder // the new tree
	old      *folder // the old entries of a mount point
	previous inode   // of the old tree, once it has its dated name
	aside    *marker // in a mount point; else nil
	undo     []func() error
	told     func(Identity) error // see ReplaceOptions.Aside; nil: nobody asks

	oldLook, newLook *look // of a mount point's root
}

// mark notes a folder of ours, and in a mount point marks it, as set aside.
func (r *replacement) mark(d *folder) error {
	id, err := identityAt(d, ".")
	if err != nil {
		return err
	}
	if err := r.tell(id); err != nil || !r.mounted {
		return err
	}
	if r.aside == nil {
		r.aside = &marker{home: r.home}
	}
	if err := r.aside.note(id); err != nil {
		return fmt.Errorf("marking what is set aside in %s: %w", r.path, err)
	}
	return nil
}

func (r *replacement) tell(id Identity) error {
	if r.told == nil {
		return nil
	}
	return r.told(id)
}

// tellPrevious tells what target holds.
func (r *replacement) tellPrevious() error {
	if r.told == nil || !r.exists {
		return nil
	}
	id, err := identityAt(r.home, r.base)
	if err != nil {
		return err
	}
	return r.tell(id)
}

func (r *replacement) close() {
	r.aside.close()
	if r.top != nil && r.top.d != r.staged {
		r.top.d.close()
	}
	for _, d := range []*folder{r.staged, r.old} {
		if d != nil {
			d.close()
		}
	}
}

func (r *replacement) run(ctx context.Context, build func(ctx context.Context, f *Folder) error) (*Replaced, error) {
	if err := r.build(ctx, build, r.mounted); err != nil {
		return nil, err
	}
	if r.mounted {
		return r.moveEntries()
	}
	return r.exchangeTrees()
}

// build has the new tree built and flushed: where wrapped is true in a folder within the one that is made.
func (r *replacement) build(ctx context.Context, build func(ctx context.Context, f *Folder) error, wrapped bool) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := r.stage(r.entry("new-", strings.ToLower(rand.Text()[:6])), wrapped); err != nil {
		return err
	}
	if err := build(ctx, r.top); err != nil {
		return err
	}
	if err := r.flushTree(r.top.d); err != nil {
		return err
	}
	return ctx.Err()
}

// stage makes the folder for the new tree: wrapped, in a mount point, one that stays the caller's within another, so
// that nobody else can make what Recover goes by.
func (r *replacement) stage(name string, wrapped bool) (err error) {
	if r.staged, err = r.mkdir(r.home, name); err != nil {
		return err
	}
	if r.id, err = r.staged.id(); err != nil {
		return err
	}
	r.made = name
	if err := r.mark(r.staged); err != nil {
		return err
	}
	tree, path := r.staged, r.pathTo(name)
	if wrapped {
		if tree, err = r.mkdir(r.staged, newEntries); err != nil {
			return err
		}
		path = filepath.Join(path, newEntries)
	}
	r.top = &Folder{d: tree, path: path, held: true}
	return nil
}

// dressTop gives the new tree its look, or that of the old one where none is known. From here on it may be
// somebody else's.
func (r *replacement) dressTop() error {
	if r.top.said {
		return nil
	}
	if err := liken(r.top.d, r.meta); err != nil {
		return err
	}
	if r.top.finish != nil {
		if err := r.top.finish(); err != nil {
			return err
		}
	}
	return r.flush(r.top.d)
}

// exchangeTrees puts the new tree into the place of the old one. Its name tells Recover meanwhile which
// of the two it is: a kill may leave the old tree under it.
func (r *replacement) exchangeTrees() (*Replaced, error) {
	ready := r.entry("new-", r.stamp+"."+strconv.FormatUint(r.id.ino, 10))
	if err := r.relabel(ready); err != nil {
		return nil, err
	}
	if err := r.tellPrevious(); err != nil {
		return nil, err
	}
	if err := r.dressTop(); err != nil {
		return nil, err
	}
	done := &Replaced{How: Renamed}
	var err error
	if r.exists {
		done.Previous = r.name("before-", r.stamp)
		r.previous = r.site.id()
		done.How, err = r.swap(ready, r.entry("before-", r.stamp))
	} else {
		err = r.move(r.home, ready, r.home, r.base)
	}
	if err == nil {
		err = r.flush(r.home)
	}
	if err == nil {
		err = r.isAt(r.base, r.id)
	}
	return done, err
}

// isAt fails where others may move things, unless a name in home is that of the folder which id tells.
func (r *replacement) isAt(name string, id inode) error {
	if !r.watched {
		return nil
	}
	if is, err := idAt(r.home, name); err != nil || is != id {
		return errors.Join(fmt.Errorf("%s: %w", r.pathTo(name), ErrMeddled), err)
	}
	return nil
}

// swap exchanges the old tree with the one at ready, in one step or else in two.
func (r *replacement) swap(ready, previous string) (Way, error) {
	err := r.exchangeBoth(ready)
	if errors.Is(err, errors.ErrUnsupported) {
		if err = r.move(r.home, r.base, r.home, previous); err == nil {
			err = r.isAt(previous, r.previous)
		}
		if err == nil {
			err = r.move(r.home, ready, r.home, r.base)
		}
		return RenamedTwice, err
	}
	if err == nil {
		err = errors.Join(r.isAt(r.base, r.id), r.isAt(ready, r.previous))
	}
	if err == nil {
		err = r.move(r.home, ready, r.home, previous)
	}
	if err == nil {
		err = r.isAt(previous, r.previous)
	}
	return Exchanged, err
}

// exchangeBoth swaps the names of the new tree and the old one.
func (r *replacement) exchangeBoth(ready string) error {
	err := r.exchange(r.home, ready, r.base)
	if err != nil {
		if id, _ := idAt(r.home, r.base); id != r.id || id == (inode{}) {
			return err
		}
	}
	r.made = r.base
	r.undo = append(r.undo, func() error {
		r.made = ready
		return r.exchange(r.home, ready, r.base)
	})
	return nil
}

// move renames, and notes how to undo it.
func (r *replacement) move(from *folder, name string, to *folder, newName string) error {
	if err := r.renamed(from, name, to, newName); err != nil {
		return err
	}
	tree := from == r.home && name == r.made
	if tree {
		r.made = newName
	}
	r.undo = append(r.undo, func() error {
		if tree {
			r.made = name
		}
		return r.renamed(to, newName, from, name)
	})
	return nil
}

// relabel gives the new tree another name, which is no step into its place and needs no way back.
func (r *replacement) relabel(to string) error {
	err := r.renamed(r.home, r.made, r.home, to)
	if err == nil {
		r.made = to
		err = r.isAt(to, r.id)
	}
	return err
}

// renamed renames. A share may do what is asked and report a failure.
func (r *replacement) renamed(from *folder, name string, to *folder, newName string) error {
	id, err := idAt(from, name)
	if err != nil {
		return err
	}
	if err := r.rename(from, name, to, newName); err != nil {
		if is, _ := idAt(to, newName); is != id || id == (inode{}) {
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
		err = errors.Join(err, r.flush(r.home))
	}
	if r.made != "" {
		err = errors.Join(err, r.removeAll(r.home, r.made, r.id))
	}
	if r.made == "" || !there(r.home, r.made) {
		err = errors.Join(err, r.aside.drop())
	}
	if r.oldLook != nil { // at least the time changed
		_, failed := r.dress(r.live, r.oldLook)
		err = errors.Join(err, failed)
	}
	return err
}
