package give

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"strings"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// VolumeFS gives the members of a volume as a file system.
type VolumeFS struct {
	tree   *tree
	opened *Opened         // for contents
	ctx    context.Context // of contents
}

// NewFS gives a volume as a file system. Reading heeds ctx.
func (r *Giver) NewFS(ctx context.Context, v *ledger.Volume) (*VolumeFS, error) {
	f := &VolumeFS{&tree{r: r, v: v, ctx: ctx}, &Opened{r: r, v: v}, ctx}
	_, err := f.tree.finder()
	return f, r.OrMoved(ctx, v, err)
}

// Within gives the same file system, whose contents are read while another context is not done.
func (f *VolumeFS) Within(ctx context.Context) *VolumeFS { return &VolumeFS{f.tree, f.opened, ctx} }

// mostLinks is how many links are followed: as many as Linux follows (path_resolution(7)).
const mostLinks = 40

// mostWalked is how many parts of paths the links on one way have in all: as many as the longest path of
// Linux has (PATH_MAX, 4096 bytes). Without it forty short links have a hundred thousand.
const mostWalked = 2048

// node is what a path leads to.
type node struct {
	path string
	*treeMember
}

// mode gives permissions and type.
func (n *node) mode() fs.FileMode {
	switch {
	case n.Member == nil || n.path == "" && n.Type != tarstream.Folder:
		return fs.ModeDir | 0o755
	case n.Type == tarstream.Other:
		return n.Mode | fs.ModeIrregular
	}
	return n.Mode
}

// check refuses names that are none of a file system; but not for their encoding, as names of members
// need not be UTF-8.
func check(name string) error {
	if name == "" || name != "." && (path.Clean("/"+name) != "/"+name || strings.ContainsRune(name, 0)) {
		return fs.ErrInvalid
	}
	return nil
}

// resolve gives what a name leads to. Links on the way are followed, and the last one if follow
// is set.
func (f *VolumeFS) resolve(name string, follow bool) (*node, error) {
	if err := check(name); err != nil {
		return nil, err
	}
	at, err := f.at("")
	rest := strings.Split(name, "/")
	links, walked := 0, 0
	for err == nil && len(rest) > 0 {
		next := rest[0]
		rest = rest[1:]
		if !at.mode().IsDir() {
			return nil, fmt.Errorf("%w: %q is no folder", fs.ErrNotExist, at.path)
		}
		switch next {
		case "", ".":
			continue
		case "..":
			if at.path == "" {
				return nil, errLeadsOut
			}
			at, err = f.at(above(at.path))
			continue
		}
		var n *node
		if n, err = f.at(join(at.path, next)); err != nil {
			continue // out of the loop
		}
		if n.mode().Type() != fs.ModeSymlink || len(rest) == 0 && !follow {
			at = n
			continue
		}
		if links++; links > mostLinks {
			return nil, fmt.Errorf("%w: more than %d links", fs.ErrInvalid, mostLinks)
		}
		if n.Link == "" || strings.HasPrefix(n.Link, "/") {
			return nil, errLeadsOut
		}
		way := strings.Split(n.Link, "/")
		if walked += len(way); walked > mostWalked {
			return nil, fmt.Errorf("%w: the links on the way have more than %d parts", fs.ErrInvalid, mostWalked)
		}
		rest = append(way, rest...)
	}
	return at, err
}

var errNoFolder = fmt.Errorf("%w: it is no folder", fs.ErrInvalid)

var errLeadsOut = fmt.Errorf("%w: a link leads out of the volume", fs.ErrNotExist)

// above gives the path of the folder that holds what has a path.
func above(path string) string {
	return path[:max(strings.LastIndexByte(path, '/'), 0)]
}

func join(dir, name string) string {
	if dir == "" {
		return name
	}
	return dir + "/" + name
}

// at gives what has a path, without following links on the way. Of a hard link it is what it is another
// name of.
func (f *VolumeFS) at(path string) (*node, error) {
	m, err := f.find(path)
	if err != nil {
		return nil, err
	}
	return f.linked(path, m)
}

func (f *VolumeFS) find(path string) (*treeMember, error) {
	m, err := f.tree.find(path)
	if err == vault.ErrNotFound {
		err = fs.ErrNotExist
	}
	return m, err
}

// linked gives a member, or what it is another name of. An order has the last member of a path alone: that is what a
// link was made to if it stands before the link, and else the member list tells.
func (f *VolumeFS) linked(path string, m *treeMember) (*node, error) {
	for range mostLinks {
		if m.Member == nil || m.Type != tarstream.Hardlink {
			return &node{path, m}, nil
		}
		target := weave.OrderPath(weave.CleanPath(m.Link))
		next, err := f.find(target)
		if err == nil && next.Member != nil && next.at >= m.at {
			return f.displaced(path, m)
		}
		if errors.Is(err, fs.ErrNotExist) || err == nil && (next.Member == nil || next.Type == tarstream.Folder || next.Type == tarstream.Other) {
			return nil, fmt.Errorf("%w: it is a hard link to %q, which is no member with contents", fs.ErrNotExist, m.Link)
		}
		if err != nil {
			return nil, err
		}
		m = next
	}
	return nil, fmt.Errorf("%w: more than %d hard links lead to each other", fs.ErrInvalid, mostLinks)
}

// displaced gives what a link is a name of whose target's path has a later member.
func (f *VolumeFS) displaced(path string, link *treeMember) (*node, error) {
	m, err := f.tree.displacedFile(link)
	if err == nil && m == nil {
		err = fmt.Errorf("%w: it is a hard link to %q, which comes behind it", fs.ErrNotExist, link.Link)
	}
	if err != nil {
		return nil, err
	}
	return &node{path, m}, nil
}

// Stat gives what a name leads to.
func (f *VolumeFS) Stat(name string) (fs.FileInfo, error) { return f.stat("stat", name, true) }

// Lstat is Stat, but that a link is given as such.
func (f *VolumeFS) Lstat(name string) (fs.FileInfo, error) { return f.stat("lstat", name, false) }

func (f *VolumeFS) stat(op, name string, follow bool) (fs.FileInfo, error) {
	n, err := f.resolve(name, follow)
	if err != nil {
		return nil, &fs.PathError{Op: op, Path: name, Err: err}
	}
	return newInfo(path.Base(name), n), nil
}

// ReadLink gives where a symbolic link leads, as it was captured.
func (f *VolumeFS) ReadLink(name string) (string, error) {
	n, err := f.resolve(name, false)
	if err == nil && n.mode().Type() != fs.ModeSymlink {
		err = fs.ErrInvalid
	}
	if err != nil {
		return "", &fs.PathError{Op: "readlink", Path: name, Err: err}
	}
	return n.Link, nil
}

// Open opens what a name leads to.
func (f *VolumeFS) Open(name string) (fs.File, error) {
	n, err := f.resolve(name, true)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: err}
	}
	i := newInfo(path.Base(name), n)
	switch {
	case n.mode().IsDir():
		return &openFolder{fs: f, name: name, path: n.path, info: i}, nil
	case n.Type != tarstream.File:
		return &openNode{name: name, info: i}, nil
	}
	file, err := f.opened.openFile(f.ctx, &n.listedMember)
	if err != nil {
		return nil, &fs.PathError{Op: "open", Path: name, Err: f.tree.r.OrMoved(f.ctx, f.tree.v, err)}
	}
	return &openFile{file, i}, nil
}
