package volume

import "golang.org/x/sys/unix"

// noAttribute is the error for an attribute that is not there.
const noAttribute = unix.ENOATTR

// nodeAttributes finds none: links, pipes and devices are restored without.
func (d *folder) nodeAttributes(string) (map[string]string, error) { return nil, nil }

func (d *folder) setNodeAttribute(name, _, _ string) error {
	return fail("setxattr", d.join(name), unix.ENOTSUP)
}
