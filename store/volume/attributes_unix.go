//go:build linux || darwin

package volume

import (
	"errors"
	"strings"

	"golang.org/x/sys/unix"
)

// attributes returns the extended attributes, nil if there are none or can't be any.
func (h *handle) attributes() (map[string]string, error) {
	return readAttributes(h.path,
		func(p []byte) (int, error) { return unix.Flistxattr(h.fd, p) },
		func(name string, p []byte) (int, error) { return unix.Fgetxattr(h.fd, name, p) })
}

func (h *handle) setAttribute(name, value string) error {
	return fail("setxattr", h.path, unix.Fsetxattr(h.fd, name, []byte(value), 0))
}

func (h *handle) removeAttribute(name string) error {
	err := unix.Fremovexattr(h.fd, name)
	if err == noAttribute {
		return nil
	}
	return fail("removexattr", h.path, err)
}

func readAttributes(path string, listInto func([]byte) (int, error), get func(string, []byte) (int, error)) (map[string]string, error) {
	var small [256]byte
	names, err := grow(small[:], listInto)
	if errors.Is(err, errors.ErrUnsupported) || len(names) == 0 && err == nil {
		return nil, nil
	}
	if err != nil {
		return nil, fail("listxattr", path, err)
	}
	attrs := make(map[string]string)
	for name := range strings.SplitSeq(strings.TrimSuffix(string(names), "\x00"), "\x00") {
		value, err := grow(small[:], func(p []byte) (int, error) { return get(name, p) })
		if err == noAttribute { // removed meanwhile
			continue
		}
		if err != nil {
			return nil, fail("getxattr "+name, path, err)
		}
		attrs[name] = string(value)
	}
	return attrs, nil
}

// maxAttribute is the most a list of names or a value can take: XATTR_LIST_MAX and XATTR_SIZE_MAX
// of linux/limits.h; macOS allows more only for resource forks.
const maxAttribute = 64 << 10

// grow calls fill with p, and with maxAttribute bytes where p is too small.
func grow(p []byte, fill func([]byte) (int, error)) ([]byte, error) {
	n, err := fill(p)
	if err == unix.ERANGE {
		p = make([]byte, maxAttribute)
		n, err = fill(p)
	}
	if err != nil {
		return nil, err
	}
	return p[:n], nil
}
