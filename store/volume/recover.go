package volume

import (
	"errors"
	"io/fs"
	"regexp"
	"strings"
)

// A Recovered says what [Recover] found.
type Recovered struct {
	// Undone says that the old tree was put back into its place.
	Undone bool
	// Completed says that the new tree, which was complete and partly in its place, is now wholly
	// there. The old one is at Previous.
	Completed bool
	Previous  string
	// Left lists folders that hold a new tree, complete or half-built, which never came into place.
	// They are known by their names alone: look before you remove them.
	Left []string
}

// Recover puts in order what a call of [Replace] left when it was killed, and does nothing where
// there is nothing to do. What a kill can leave, besides a folder that is Left:
//
//   - The trees are exchanged, but the old one still has the name of a new one, which tells by its
//     inode number that it isn't. It gets its dated name.
//   - The old tree has its dated name and target is missing. The old tree is put back.
//   - In a mount point, some of the old entries are in a folder of Replace's, none of the new is in place.
//     The old entries are put back.
//   - In a mount point, all old entries are in a folder of Replace's, and some of the new ones are in place.
//     The others are put there too, and the old ones get their dated name.
//
// In each case the whole old tree is in one place or in two, in a folder of Replace's and under target.
// An entry that stands in the way, made since then, is an error that wraps fs.ErrExist. Replace does
// the same before it begins. Recover must not run beside a call of Replace for the same target.
//
// Others who may write in the folder above target, or in a mount point, may put names there as Replace
// does. In a mount point only a folder that is the caller's and closed to all others is looked into. Beside
// target, folders are renamed within the folder above it, which those others may do just as well, and
// nothing else is done.
func Recover(target string) (*Recovered, error) {
	s, found, err := orderedSite(target, disk{})
	s.close()
	return found, err
}

// orderedSite finds target and puts it in order first.
func orderedSite(target string, m mover) (*site, *Recovered, error) {
	s, err := findSite(target)
	if err != nil {
		return nil, nil, err
	}
	defer s.close()
	c := &recovery{mover: m, site: s, found: &Recovered{}}
	if s.mounted {
		err = c.inside()
	} else {
		err = c.beside()
	}
	if err != nil {
		return nil, c.found, err
	}
	s, err = findSite(target)
	return s, c.found, err
}

// recovery is one run of Recover.
type recovery struct {
	mover
	*site
	found *Recovered
}

const stampPattern = `[0-9]{8}t[0-9]{6}z(?:-[0-9]+)?`

// beside looks for trees beside the target.
func (c *recovery) beside() error {
	names, err := namesOf(c.home)
	if err != nil {
		return err
	}
	for _, name := range names {
		rest, named := strings.CutPrefix(name, c.base+".")
		if !named {
			continue
		}
		if match := readyName.FindStringSubmatch(rest); match != nil {
			err = c.ready(name, match[1], match[2])
		} else if isNew(rest) {
			c.left(name)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

func (c *recovery) left(name string) { c.found.Left = append(c.found.Left, c.pathTo(name)) }

// inside looks for trees inside a mount point.
func (c *recovery) inside() error {
	names, err := namesOf(c.home)
	if err != nil {
		return err
	}
	for _, name := range names {
		rest, hidden := strings.CutPrefix(name, ".")
		if match := movingName.FindStringSubmatch(rest); hidden && match != nil {
			err = c.moving(name, match[1], match[2])
		} else if hidden && isNew(rest) {
			c.left(name)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// moving goes on with a folder from or to which entries were moving, if it is one of ours.
func (c *recovery) moving(name, direction, stamp string) error {
	d, err := c.home.child(name)
	if errors.Is(err, errKind) || errors.Is(err, fs.ErrPermission) || err == nil && !ownPrivate(d) {
		c.left(name)
		err = nil
	} else if err == nil && direction == "in" {
		err = c.complete(d, name, stamp)
	} else if err == nil {
		err = c.putBack(d)
		c.left(name)
	}
	if d != nil {
		d.close()
	}
	return err
}

// putBack puts the old entries back into a mount point.
func (c *recovery) putBack(d *folder) error {
	old, err := d.child(oldEntries)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer old.close()
	c.found.Undone = true
	if err := c.moveAll(old); err != nil {
		return err
	}
	if err := c.removeEmpty(d, oldEntries); err != nil {
		return err
	}
	return c.flush(c.home)
}

// complete puts the rest of the new entries into their places in a mount point.
func (c *recovery) complete(d *folder, name, stamp string) error {
	tree, err := d.child(newEntries)
	if err != nil {
		if there(d, newEntries) || there(d, oldEntries) {
			return err
		}
		return c.removeEmpty(c.home, name)
	}
	defer tree.close()
	l, err := lookAt(tree)
	if err != nil {
		return err
	}
	if err := c.moveAll(tree); err != nil {
		return err
	}
	id, err := d.id()
	if err != nil {
		return err
	}
	before := c.entry("before-", stamp)
	if _, err := finish(c, c.home, l, lastSteps{wrapped: d, name: name, id: id, keep: func() error { return c.keep(d, before) }}); err != nil {
		return err
	}
	c.found.Completed, c.found.Previous = true, c.pathTo(before)
	return c.flush(c.home)
}

// keep gives the old entries their dated name, if they don't have it yet.
func (c *recovery) keep(d *folder, before string) error {
	old, err := d.child(oldEntries)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer old.close()
	if err := c.rename(d, oldEntries, c.home, before); err != nil {
		return err
	}
	return likenKept(old, c.meta)
}

// moveAll moves the entries of a folder into the mount point.
func (c *recovery) moveAll(d *folder) error {
	names, err := namesOf(d)
	if err != nil {
		return err
	}
	for _, name := range names {
		if err := c.rename(d, name, c.home, name); err != nil {
			return err
		}
	}
	return c.flush(d)
}

// isNew reports whether a name is that of a tree that is being built.
func isNew(rest string) bool {
	ok, _ := regexp.MatchString(`^new-[a-z2-7]{6}$`, rest)
	return ok
}

// ready looks at the tree that was about to be exchanged with the target. The number is the inode of
// the new tree: if target has it, this is the old one.
func (c *recovery) ready(name, stamp, number string) error {
	previous := c.entry("before-", stamp)
	var err error
	switch {
	case !folderAt(c.home, name):
		c.left(name)
		return nil
	case !c.exists && folderAt(c.home, previous):
		c.found.Undone = true
		c.left(name)
		err = c.rename(c.home, previous, c.home, c.base)
	case c.isReplaced(number):
		c.found.Completed, c.found.Previous = true, c.pathTo(previous)
		err = c.rename(c.home, name, c.home, previous)
	default:
		c.left(name)
		return nil
	}
	if err != nil {
		return err
	}
	return c.flush(c.home)
}

// folderAt reports whether a name is that of a folder, and no link.
func folderAt(d *folder, name string) bool {
	m, err := d.stat(name)
	return err == nil && m.kind == fs.ModeDir
}
