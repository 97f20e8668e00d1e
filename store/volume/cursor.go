package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
)

// cursor keeps the folders above the last place used open, since members of one folder mostly come
// together. It walks one component at a time and never through a link. Of a deep place only the last
// cursorOpen folders are open; others are opened again, from the top, when they are needed, and must be
// those that they were.
type cursor struct {
	top   *folder
	names []string
	open  []*folder // open[i] is the folder names[i] in open[i-1] or top; nil for i below shut
	shut  int
	ids   []inode // of those that are shut
}

// cursorOpen is how many folders a cursor keeps open. There is a cursor for each worker, and two more.
const cursorOpen = 64

// at returns the folder of a clean path. create is called for a folder that isn't there, given its
// path; without it that is an error. The folder is open until the next call.
func (c *cursor) at(path string, create func(parent *folder, name, path string) error) (*folder, error) {
	if path == "." {
		return c.top, nil
	}
	depth, pos := 0, 0
	for name := range strings.SplitSeq(path, "/") {
		pos += len(name)
		if depth == len(c.names) || c.names[depth] != name {
			c.cut(depth)
			if err := c.push(name, path[:pos], create); err != nil {
				return nil, err
			}
		}
		depth++
		pos++
	}
	return c.folder(depth)
}

// folder gives the folder that is so deep, the top for 0.
func (c *cursor) folder(depth int) (*folder, error) {
	if depth == 0 {
		return c.top, nil
	}
	if depth <= c.shut {
		c.cut(depth)
		if err := c.reopen(); err != nil {
			return nil, err
		}
	}
	return c.open[depth-1], nil
}

// push opens one more folder below the deepest.
func (c *cursor) push(name, path string, create func(*folder, string, string) error) error {
	parent, err := c.folder(len(c.names))
	if err != nil {
		return err
	}
	d, err := parent.child(name)
	if errors.Is(err, fs.ErrNotExist) && create != nil {
		if err = create(parent, name, path); err == nil {
			d, err = parent.child(name)
		}
	}
	if err != nil {
		return err
	}
	c.names, c.open = append(c.names, name), append(c.open, d)
	if len(c.open)-c.shut > cursorOpen {
		return c.shutFirst()
	}
	return nil
}

// shutFirst closes the first folder that is open.
func (c *cursor) shutFirst() error {
	d := c.open[c.shut]
	m, err := d.stat(".")
	if err != nil {
		return err
	}
	if len(c.ids) == c.shut { // or else it was shut before
		c.ids = append(c.ids, inode{m.dev, m.ino})
	}
	d.close()
	c.open[c.shut] = nil
	c.shut++
	return nil
}

// reopen opens the last cursorOpen of the folders, which are all shut.
func (c *cursor) reopen() error {
	from := max(0, len(c.names)-cursorOpen)
	d := c.top
	for i, name := range c.names {
		child, err := d.child(name)
		if err == nil {
			err = c.same(child, i)
		}
		if 0 < i && i <= from {
			d.close()
		}
		if err != nil {
			c.shut = min(from, i)
			c.cut(0)
			return err
		}
		if d = child; i >= from {
			c.open[i] = child
		}
	}
	c.shut = from
	return nil
}

// same fails, and closes d, if that is not the folder that names[i] was.
func (c *cursor) same(d *folder, i int) error {
	m, err := d.stat(".")
	if err == nil && c.ids[i] != (inode{m.dev, m.ino}) {
		err = fmt.Errorf("%s: another folder has come in its place", d.path)
	}
	if err != nil {
		d.close()
	}
	return err
}

// cut closes what is open below the given depth.
func (c *cursor) cut(depth int) {
	for _, d := range c.open[depth:] {
		if d != nil {
			d.close()
		}
	}
	c.names, c.open = c.names[:depth], c.open[:depth]
	c.shut = min(c.shut, depth)
	c.ids = c.ids[:min(len(c.ids), depth)]
}

// drop closes the folder of a clean path, which is going away, and all below it.
func (c *cursor) drop(path string) {
	depth := strings.Count(path, "/") + 1
	if len(c.names) >= depth && strings.Join(c.names[:depth], "/") == path {
		c.cut(depth - 1)
	}
}
