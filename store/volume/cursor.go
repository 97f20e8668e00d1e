package volume

import (
	"errors"
	"io/fs"
	"strings"
)

// cursor keeps the folders above the last place used open, since members of one folder mostly come
// together. It walks one component at a time and never through a link.
type cursor struct {
	top   *folder
	names []string
	open  []*folder // open[i] is the folder names[i] in open[i-1] or top
}

// at returns the folder of a clean path. make is called for a folder that isn't there, given its
// path; without it that is an error. The folder is open until the next call.
func (c *cursor) at(path string, make func(parent *folder, name, path string) error) (*folder, error) {
	if path == "." {
		return c.top, nil
	}
	depth, pos := 0, 0
	for name := range strings.SplitSeq(path, "/") {
		pos += len(name)
		if depth == len(c.names) || c.names[depth] != name {
			c.cut(depth)
			if err := c.push(name, path[:pos], make); err != nil {
				return nil, err
			}
		}
		depth++
		pos++
	}
	return c.open[depth-1], nil
}

// push opens one more folder below the deepest.
func (c *cursor) push(name, path string, make func(*folder, string, string) error) error {
	parent := c.top
	if n := len(c.open); n > 0 {
		parent = c.open[n-1]
	}
	d, err := parent.child(name)
	if errors.Is(err, fs.ErrNotExist) && make != nil {
		if err = make(parent, name, path); err == nil {
			d, err = parent.child(name)
		}
	}
	if err != nil {
		return err
	}
	c.names, c.open = append(c.names, name), append(c.open, d)
	return nil
}

// cut closes what is open below the given depth.
func (c *cursor) cut(depth int) {
	for _, d := range c.open[depth:] {
		d.close()
	}
	c.names, c.open = c.names[:depth], c.open[:depth]
}

// drop closes the folder of a clean path, which is going away, and all below it.
func (c *cursor) drop(path string) {
	depth := strings.Count(path, "/") + 1
	if len(c.names) >= depth && strings.Join(c.names[:depth], "/") == path {
		c.cut(depth - 1)
	}
}
