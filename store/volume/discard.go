package volume

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strconv"
)

// openAtOnce is how many folders within each other are open while a tree is removed. Deeper ones are moved
// up to its top first.
const openAtOnce = 64

// discardTree removes a tree that has a name in at. Nothing outside is touched, whoever moves what
// meanwhile: each folder is taken away from others before it is looked into, no link is followed and no
// mount entered.
func discardTree(at *folder, name string, tree *folder) error {
	m, err := tree.stat(".")
	if err != nil {
		return err
	}
	c := &discarding{top: tree, dev: m.dev, mount: tree.mountID()}
	if err := c.empty(tree, 0); err != nil {
		return err
	}
	switch id, err := idAt(at, name); {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case id != inode{m.dev, m.ino}:
		return fmt.Errorf("removing %s: %w", at.join(name), ErrMeddled)
	}
	return ignoreGone(at.rmdir(name))
}

// discardAt opens a tree and removes it. It must be the one that id tells, unless that is zero.
func discardAt(at *folder, name string, id inode) error {
	d, err := openLocked(at, name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer d.close()
	if is, err := d.id(); err != nil || id != (inode{}) && is != id {
		return fmt.Errorf("removing %s: %w", at.join(name), errors.Join(ErrMeddled, err))
	}
	return discardTree(at, name, d)
}

// openLocked opens a folder that may forbid it.
func openLocked(at *folder, name string) (*folder, error) {
	d, err := at.child(name)
	if errors.Is(err, fs.ErrPermission) {
		if err := at.chmodNode(name, 0o700); err != nil {
			return nil, err
		}
		return at.child(name)
	}
	return d, err
}

// discarding is one removal.
type discarding struct {
	top   *folder
	dev   uint64
	mount uint64
	moved int
}

// empty removes all that is in a folder.
func (c *discarding) empty(d *folder, depth int) error {
	if err := claim(d); err != nil {
		return err
	}
	for {
		n, err := c.pass(d, depth)
		if err != nil || n == 0 {
			return err
		}
	}
}

// pass removes what a folder lists, and counts it.
func (c *discarding) pass(d *folder, depth int) (n int, err error) {
	r, err := d.reader()
	if err != nil {
		return 0, err
	}
	defer r.Close()
	for {
		names, err := r.Readdirnames(1024)
		for _, name := range names {
			if err := c.remove(d, name, depth); err != nil {
				return n, err
			}
			n++
		}
		if err == io.EOF {
			return n, nil
		}
		if err != nil {
			return n, err
		}
	}
}

func (c *discarding) remove(d *folder, name string, depth int) error {
	wasFolder, err := d.unlink(name)
	if err != nil || !wasFolder {
		return err
	}
	child, err := openLocked(d, name)
	if err != nil {
		return ignoreGone(err)
	}
	defer child.close()
	m, err := child.stat(".")
	if err != nil {
		return err
	}
	if m.dev != c.dev || child.mountID() != c.mount {
		return fmt.Errorf("%w: something is mounted on %s", ErrNotReplaceable, child.path)
	}
	if depth >= openAtOnce {
		return c.moveUp(d, name, child)
	}
	if err := c.empty(child, depth+1); err != nil {
		return err
	}
	return d.rmdir(name)
}

// moveUp moves a folder to the top, which is listed until it is empty.
func (c *discarding) moveUp(d *folder, name string, child *folder) error {
	if err := claim(child); err != nil {
		return err
	}
	for {
		c.moved++
		err := d.renameFree(name, c.top, ".removed-"+strconv.Itoa(c.moved))
		if !errors.Is(err, fs.ErrExist) {
			return err
		}
	}
}
