package volume

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// A Recovered says what Recover found.
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

// Recover puts in order what a call of Replace left when it was killed, and does nothing where
// there is nothing to do. What a kill can leave, besides a folder that is Left:
//
//   - The trees are exchanged, but the old one still has the name of a new one, which tells by its
//     inode number that it isn't. It gets its dated name.
//   - The old tree has its dated name and target is missing. The old tree is put back.
//   - In a mount point, some of the old entries are in the dated folder, none of the new is in place.
//     The old entries are put back.
//   - In a mount point, all old entries are in the dated folder, and some of the new ones are in place.
//     The others are put there too.
//
// In each case the whole old tree is in one place or in two, under its dated name and under target.
// An entry that stands in the way, made since then, is an error that wraps fs.ErrExist. Replace does
// the same before it begins. Recover must not run beside a call of Replace for the same target.
func Recover(target string) (*Recovered, error) {
	_, found, err := orderedSite(target, disk{})
	return found, err
}

// orderedSite finds target and puts it in order first.
func orderedSite(target string, m mover) (*site, *Recovered, error) {
	s, err := findSite(target)
	if err != nil {
		return nil, nil, err
	}
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
	dir, base := filepath.Split(c.path)
	names, err := namesIn(dir)
	if err != nil {
		return err
	}
	ready := regexp.MustCompile(`^new-(` + stampPattern + `)\.([0-9]+)$`)
	for _, name := range names {
		rest, ours := strings.CutPrefix(name, base+".")
		if !ours {
			continue
		}
		if match := ready.FindStringSubmatch(rest); match != nil {
			err = c.ready(filepath.Join(dir, name), match[1], match[2])
		} else if isNew(rest) {
			c.found.Left = append(c.found.Left, filepath.Join(dir, name))
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// inside looks for trees inside a mount point.
func (c *recovery) inside() error {
	names, err := namesIn(c.path)
	if err != nil {
		return err
	}
	moving := regexp.MustCompile(`^\.(out|in)-(` + stampPattern + `)$`)
	for _, name := range names {
		path := filepath.Join(c.path, name)
		if match := moving.FindStringSubmatch(name); match != nil {
			before := c.name("before-", match[2])
			switch {
			case match[1] == "in" && exists(before):
				err = c.complete(path, before)
			case match[1] == "out" && exists(before):
				err = c.putBack(before)
				fallthrough
			default:
				c.found.Left = append(c.found.Left, path)
			}
		} else if rest, ok := strings.CutPrefix(name, "."); ok && isNew(rest) {
			c.found.Left = append(c.found.Left, path)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// putBack puts the old entries back into a mount point.
func (c *recovery) putBack(before string) error {
	c.found.Undone = true
	if err := c.moveAll(before); err != nil {
		return err
	}
	if err := c.removeEmpty(before); err != nil {
		return err
	}
	return c.flush(c.path)
}

// complete puts the rest of the new entries into their places in a mount point.
func (c *recovery) complete(in, before string) error {
	l, err := lookAt(in)
	if err != nil {
		return err
	}
	if err := c.moveAll(in); err != nil {
		return err
	}
	if _, err := finish(c, c.path, in, l); err != nil {
		return err
	}
	c.found.Completed, c.found.Previous = true, before
	return c.flush(c.path)
}

// moveAll moves the entries of a folder into the mount point.
func (c *recovery) moveAll(dir string) error {
	names, err := namesIn(dir)
	if err != nil {
		return err
	}
	for _, name := range names {
		if err := c.rename(filepath.Join(dir, name), filepath.Join(c.path, name)); err != nil {
			return err
		}
	}
	return c.flush(dir)
}

// isNew reports whether a name is that of a tree that is being built.
func isNew(rest string) bool {
	ok, _ := regexp.MatchString(`^new-[a-z2-7]{6}$`, rest)
	return ok
}

// ready looks at the tree that was about to be exchanged with the target. The number is the inode of
// the new tree: if target has it, this is the old one.
func (c *recovery) ready(path, stamp, number string) error {
	live, err := identify(c.path)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	missing := err != nil
	ino, _ := strconv.ParseUint(number, 10, 64)
	previous := c.name("before-", stamp)
	switch {
	case missing && exists(previous):
		c.found.Undone = true
		c.found.Left = append(c.found.Left, path)
		err = c.rename(previous, c.path)
	case !missing && ino != 0 && live.ino == ino:
		c.found.Completed, c.found.Previous = true, previous
		err = c.rename(path, previous)
	default:
		c.found.Left = append(c.found.Left, path)
		return nil
	}
	if err != nil {
		return err
	}
	return c.flush(filepath.Dir(c.path))
}

func exists(path string) bool {
	_, err := os.Lstat(path)
	return err == nil
}

// namesIn lists a folder, sorted.
func namesIn(dir string) ([]string, error) {
	entries, err := os.ReadDir(dir)
	names := make([]string, 0, len(entries))
	for _, e := range entries {
		names = append(names, e.Name())
	}
	slices.Sort(names)
	return names, err
}
