package volume

import (
	"archive/tar"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
)

// member restores one member if it is wanted. Errors name it.
func (e *extractor) member(ctx context.Context, h *tar.Header, content *memberReader) error {
	clean, reason := cleanName(h.Name)
	if reason != "" {
		return &RefusedError{h.Name, reason}
	}
	if e.opts.Only != nil && !e.opts.Only(clean) {
		if h.Typeflag == tar.TypeDir {
			e.hold(clean, h, clean == ".")
		}
		return e.pass(h, content)
	}
	if e.opts.OnEntry != nil {
		e.opts.OnEntry(clean, h.Size)
	}
	done, err := e.restore(ctx, h, clean, content)
	if done {
		e.report.Members++
	}
	return memberError(h.Name, err)
}

// memberError names the member in an error that doesn't.
func memberError(name string, err error) error {
	var refused *RefusedError
	if err == nil || errors.As(err, &refused) {
		return err
	}
	return fmt.Errorf("restoring member %q: %w", name, err)
}

// pass reads over a member's content. A sparse member is left to archive/tar, which knows how
// little of it is in the stream.
func (e *extractor) pass(h *tar.Header, content *memberReader) error {
	if isSparse(h) {
		return nil
	}
	if err := content.discard(); err != nil {
		return fmt.Errorf("reading member %q: %w", h.Name, err)
	}
	return nil
}

// restore restores one wanted member by its kind; done is false where that isn't possible here.
func (e *extractor) restore(ctx context.Context, h *tar.Header, clean string, content *memberReader) (done bool, err error) {
	if clean == "." {
		if h.Typeflag != tar.TypeDir {
			return false, &RefusedError{h.Name, "the folder itself can't become something else"}
		}
		e.hold(clean, h, true)
		return true, nil
	}
	if err := e.settleAt(clean); err != nil {
		return false, err
	}
	dir, name := split(clean)
	d, err := e.at.at(dir, e.makeAbove)
	if errors.Is(err, errKind) {
		return false, &RefusedError{h.Name, "it lies below a member that is no folder"}
	}
	if err != nil {
		return false, err
	}
	p := place{d, name, clean}
	switch h.Typeflag {
	case tar.TypeReg, tar.TypeCont, tar.TypeGNUSparse:
		return e.file(ctx, h, p, content)
	case tar.TypeDir:
		return true, e.dir(h, p)
	case tar.TypeLink:
		return e.link(h, p)
	case tar.TypeSymlink, tar.TypeFifo, tar.TypeChar, tar.TypeBlock:
		return e.node(h, p)
	}
	e.lose(clean, fmt.Sprintf("it is of the unknown kind %q", h.Typeflag), nil)
	return false, e.pass(h, content)
}

// place is where a member goes: name in the folder d.
type place struct {
	d     *folder
	name  string
	clean string
}

func (p place) chown(uid, gid int) error { return p.d.chownName(p.name, uid, gid) }
func (p place) chmod(perm int64) error   { return p.d.chmodNode(p.name, perm) }
func (p place) setAttribute(attr, value string) error {
	return p.d.setNodeAttribute(p.name, attr, value)
}

// makeAbove makes a folder that a member needs above it: private until its mode is restored, if the stream
// described it, or else as the umask has it.
func (e *extractor) makeAbove(parent *folder, name, path string) error {
	f, known := e.folders[path]
	if !known {
		return parent.mkdir(name, 0o755)
	}
	f.made = true
	return parent.mkdir(name, 0o700)
}

// put calls create for a name that should be free. If it isn't, what is there is removed first: the last
// of several members with one name counts.
func (e *extractor) put(h *tar.Header, p place, create func() error) error {
	err := create()
	if !errors.Is(err, fs.ErrExist) {
		return err
	}
	if err := e.clear(h, p); err != nil {
		return err
	}
	return create()
}

// clear removes what stands at p, which must not be a folder with members.
func (e *extractor) clear(h *tar.Header, p place) error {
	err := p.clear(h.Name)
	if err == nil {
		e.cleared(p.clean)
	}
	return err
}

func (p place) clear(member string) error {
	err := p.d.remove(p.name)
	if errors.Is(err, fs.ErrExist) { // the standard library counts ENOTEMPTY to it
		return &RefusedError{member, "a folder with members has its name"}
	}
	return err
}

// cleared drops all knowledge of a folder that may have been at a path.
func (e *extractor) cleared(clean string) {
	delete(e.folders, clean)
	e.at.drop(clean)
	e.links.drop(clean)
	e.handed.generation++
}

// dir makes a folder, or keeps the one that is there, to be finished at the end.
func (e *extractor) dir(h *tar.Header, p place) error {
	create := func() error { return p.d.mkdir(p.name, 0o700) }
	err := create()
	if errors.Is(err, fs.ErrExist) {
		var m *meta
		if m, err = p.d.stat(p.name); err == nil && m.kind != fs.ModeDir {
			err = e.put(h, p, create)
		}
	}
	if err == nil {
		e.hold(p.clean, h, true)
	}
	return err
}

// node makes a symbolic link, pipe or device.
func (e *extractor) node(h *tar.Header, p place) (done bool, err error) {
	err = e.put(h, p, func() error {
		switch h.Typeflag {
		case tar.TypeSymlink:
			return p.d.symlink(h.Linkname, p.name)
		case tar.TypeFifo:
			return p.d.mknod(p.name, fs.ModeNamedPipe, 0, 0)
		}
		if !e.opts.Devices {
			return &RefusedError{h.Name, "it is a device, and devices are not allowed"}
		}
		kind := fs.ModeDevice
		if h.Typeflag == tar.TypeChar {
			kind |= fs.ModeCharDevice
		}
		return p.d.mknod(p.name, kind, h.Devmajor, h.Devminor)
	})
	if notPossible(err) {
		e.lose(p.clean, nodeWord(h.Typeflag), err)
		return false, nil
	}
	if err != nil {
		return false, err
	}
	s := e.state(h, p.clean)
	e.own(p, s, p.clean)
	if h.Typeflag == tar.TypeSymlink {
		e.attributes(p, s.attrs, p.clean)
	} else {
		e.dress(p, s, p.clean)
	}
	e.times(p.d, p.name, s, p.clean)
	return true, nil
}

// notPossible reports whether the system, the file system or the caller's rights don't allow what failed.
func notPossible(err error) bool {
	return errors.Is(err, errNoNode) || errors.Is(err, fs.ErrPermission) || errors.Is(err, errors.ErrUnsupported)
}

func nodeWord(flag byte) string {
	switch flag {
	case tar.TypeSymlink:
		return "a symbolic link"
	case tar.TypeLink:
		return "a hard link"
	case tar.TypeFifo:
		return "a pipe"
	}
	return "a device"
}

// link makes a hard link to a member that has been restored.
func (e *extractor) link(h *tar.Header, p place) (done bool, err error) {
	target, reason := cleanName(h.Linkname)
	if reason != "" || target == "." {
		return false, &RefusedError{h.Name, fmt.Sprintf("its target %q can't be a member", h.Linkname)}
	}
	if err := e.settleAt(target); err != nil {
		return false, err
	}
	dir, name := split(target)
	from, err := e.links.at(dir, nil)
	var found *meta
	if err == nil {
		found, err = from.stat(name)
	}
	switch {
	case errors.Is(err, errKind) || err == nil && found.kind == fs.ModeDir:
		return false, &RefusedError{h.Name, fmt.Sprintf("its target %q is a folder or lies below a member that is none", h.Linkname)}
	case errors.Is(err, fs.ErrNotExist) && e.opts.Only != nil && !e.opts.Only(target):
		e.lose(p.clean, "the member that holds its content is not wanted", nil)
		return false, nil
	case errors.Is(err, fs.ErrNotExist):
		return false, &RefusedError{h.Name, fmt.Sprintf("its target %q has not been restored", h.Linkname)}
	case err != nil:
		return false, err
	}
	if here, err := p.d.stat(p.name); err == nil && sameFile(here, found, p.clean, target) {
		return true, nil
	}
	err = e.put(h, p, func() error { return p.d.link(from, name, p.name) })
	if notPossible(err) {
		e.lose(p.clean, nodeWord(h.Typeflag), err)
		return false, nil
	}
	return err == nil, err
}

// sameFile reports whether two descriptions are of one file, by number where the system has any.
func sameFile(a, b *meta, pathA, pathB string) bool {
	return pathA == pathB || a.ino != 0 && a.ino == b.ino && a.dev == b.dev
}

// isSparse reports whether the stream marks holes in the member.
func isSparse(h *tar.Header) bool {
	if h.Typeflag == tar.TypeGNUSparse {
		return true
	}
	for key := range h.PAXRecords {
		if strings.HasPrefix(key, "GNU.sparse.") {
			return true
		}
	}
	return false
}
