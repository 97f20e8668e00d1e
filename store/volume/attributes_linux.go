package volume

import (
	"errors"
	"io/fs"

	"golang.org/x/sys/unix"
)

// noAttribute is the error for an attribute that is not there.
const noAttribute = unix.ENODATA

// nodeAttributes reads the attributes of what has no handle: links, pipes and devices.
func (d *folder) nodeAttributes(name string) (map[string]string, error) {
	path := d.nodePath(name)
	attrs, err := readAttributes(d.join(name),
		func(p []byte) (int, error) { return unix.Llistxattr(path, p) },
		func(attr string, p []byte) (int, error) { return unix.Lgetxattr(path, attr, p) })
	if errors.Is(err, fs.ErrNotExist) { // no /proc, or the node vanished after it was described
		return nil, nil
	}
	return attrs, err
}

func (d *folder) setNodeAttribute(name, attr, value string) error {
	return fail("setxattr", d.join(name), unix.Lsetxattr(d.nodePath(name), attr, []byte(value), 0))
}
