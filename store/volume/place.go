package volume

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"
	"time"
)

// PlaceOptions change how [Place] works. The zero value keeps previous entries.
type PlaceOptions struct {
	// DiscardPrevious removes each previous entry when the new one is in its place.
	DiscardPrevious bool
	// Now gives the time for the dated names of previous entries; nil means time.Now.
	Now func() time.Time
	// Aside, if set, is told the identity of the folder in which the tree is built, before anything is put into it. An
	// error of it ends the call.
	Aside func(Identity) error
}

// A Placed says what [Place] did, also until it failed.
type Placed struct {
	// Entries is how many entries came into place; a folder that came as a whole counts once.
	Entries int
	// Kept lists, as paths in the folder, where previous entries are now.
	Kept []string
}

// Place adds a tree to a folder that is in use. It gives build an empty folder inside to write the tree into, and
// when that has succeeded, moves each of its entries into place, one after the other. A folder that is
// there already gets the entries of the new one, and keeps its own owner, mode and time. Any other previous entry stays beside the new
// one under a dated name, NAME.before-20260314t020305z; a file is never missing meanwhile. It is for
// build to flush what it writes; Place flushes the names.
//
// It goes from open folder to open folder and never through a link; dir itself is opened by the rule of
// [OpenFolder]. Others who own dir, the folder above it or folders in it may bring it to fail, and may move what lies in a
// folder of theirs to a name at which something is placed. So it fails with [ErrGuarded] where dir lies in a folder
// where others may write, but they can't write in dir; and within dir, rather than put what belongs to another user into such
// a folder.
//
// After an error some entries may be in place; what build wrote besides is removed.
func Place(ctx context.Context, dir string, build func(ctx context.Context, f *Folder) error, o PlaceOptions) (done *Placed, err error) {
	top, err := openInUse(dir)
	if err != nil {
		return nil, err
	}
	defer top.close()
	name := ".part-" + strings.ToLower(rand.Text()[:6])
	part, err := makeFolder(top, name, nil)
	if err != nil {
		return nil, err
	}
	defer part.close()
	id, err := part.id()
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, discardAt(top, name, id)) }()
	if o.Aside != nil {
		if err := o.Aside(identity(top, name, &meta{dev: id.dev, ino: id.ino})); err != nil {
			return nil, err
		}
	}
	if err := build(ctx, &Folder{d: part, path: top.join(name), held: true}); err != nil {
		return nil, err
	}
	now := time.Now
	if o.Now != nil {
		now = o.Now
	}
	p := &placing{suffix: ".before-" + now().UTC().Format("20060102t150405z"), discard: o.DiscardPrevious, done: &Placed{}}
	return p.done, p.merge(ctx, part, inUse{folder: top}, ".")
}

// openInUse opens the folder at a path, unless somebody else may have moved it there.
func openInUse(dir string) (*folder, error) {
	above, name, _, err := openAbove(dir)
	if err != nil {
		return nil, err
	}
	defer above.close()
	if name == "" {
		name = "."
	}
	top, err := above.child(name)
	if err != nil {
		return nil, err
	}
	if guarded(above, top) {
		top.close()
		return nil, fmt.Errorf("%s lies in a folder where others may write, but they can't write in it: %w: replace it as a whole, or restore into another folder", dir, ErrGuarded)
	}
	top.path = dir
	return top, nil
}

// inUse is a folder in which entries are placed. A guarded one, in which nobody else may write, lies in
// one where others may, who may have moved it there.
type inUse struct {
	*folder
	guarded bool
}

// placing is one run of Place.
type placing struct {
	suffix  string // of the name under which a previous entry is kept
	discard bool
	done    *Placed
}

// merge moves the entries of a folder into the real one of the same path.
func (p *placing) merge(ctx context.Context, part *folder, live inUse, at string) error {
	names, err := namesOf(part)
	if err != nil {
		return err
	}
	for _, name := range names {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := p.place(ctx, part, live, name, path.Join(at, name)); err != nil {
			return err
		}
	}
	return live.fsync()
}

// place moves one entry into place.
func (p *placing) place(ctx context.Context, part *folder, live inUse, name, at string) error {
	m, err := part.stat(name)
	if err != nil {
		return err
	}
	if live.guarded && !ours(m.uid) {
		return fmt.Errorf("%s lies in a folder where others may write, but they can't write in it: %w: %s, which is of user %d, is not put into it", live.path, ErrGuarded, name, m.uid)
	}
	switch is, err := live.stat(name); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return err
	case is.kind == fs.ModeDir && m.kind == fs.ModeDir:
		return p.within(ctx, part, live, name, at)
	default:
		if err := p.setAside(live.folder, name, at, is, m.kind == fs.ModeDir); err != nil {
			return err
		}
	}
	if err := part.renameOver(name, live.folder, name); err != nil {
		return err
	}
	p.done.Entries++
	return nil
}

// within merges a folder into one that is there.
func (p *placing) within(ctx context.Context, part *folder, live inUse, name, at string) error {
	from, err := part.child(name)
	if err != nil {
		return err
	}
	defer from.close()
	to, err := live.child(name)
	if err != nil {
		return err
	}
	defer to.close()
	closed := guarded(live.folder, to) || live.guarded && !othersWrite(to)
	return p.merge(ctx, from, inUse{to, closed}, at)
}

// setAside gives the previous entry another name, and removes it where nobody wants it. A file keeps its
// own name too, so that it is never missing.
func (p *placing) setAside(live *folder, name, at string, is *meta, isFolder bool) error {
	isFolder = isFolder || is.kind == fs.ModeDir
	if p.discard && !isFolder {
		return nil // the rename replaces it
	}
	aside := name + p.suffix
	if isFolder || live.link(live, name, aside) != nil {
		if err := live.renameFree(name, live, aside); err != nil {
			return err
		}
	}
	if p.discard {
		if is.kind != fs.ModeDir {
			return live.remove(aside)
		}
		if err := discardPlaced(live, aside, inode{is.dev, is.ino}); !errors.Is(err, ErrGuarded) {
			return err
		}
	}
	p.done.Kept = append(p.done.Kept, at+p.suffix)
	return nil
}

// discardPlaced removes a previous folder, unless it is guarded.
func discardPlaced(live *folder, name string, id inode) error {
	d, err := openLocked(live, name)
	if err != nil {
		return err
	}
	defer d.close()
	if guarded(live, d) {
		return ErrGuarded
	}
	return discardAt(live, name, id)
}
