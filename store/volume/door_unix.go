//go:build linux || darwin

package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// maxLinks is how many symbolic links are followed on one way (Linux: MAXSYMLINKS of linux/namei.h).
const maxLinks = 40

// way walks to where a path leads, one open folder at a time, and follows no link that others may have
// put there.
type way struct {
	path  string   // as it was given
	at    *folder  // where it is now
	names []string // of the folders above, without links
	left  []string // names yet to go
	links int
	file  bool // what has the last name is wanted as the system opens it
	magic bool // the last name is a link that only the system can follow
}

// newWay begins at the root of all folders.
func newWay(path string) (*way, error) {
	full, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	root, err := openRoot()
	if err != nil {
		return nil, err
	}
	return &way{path: path, at: root, left: elements(full)}, nil
}

func elements(path string) []string {
	return slices.DeleteFunc(strings.Split(path, "/"), func(s string) bool { return s == "" || s == "." })
}

func openRoot() (*folder, error) {
	fd, err := again(func() (int, error) {
		return unix.Open("/", unix.O_RDONLY|unix.O_DIRECTORY|unix.O_CLOEXEC, 0)
	})
	if err != nil {
		return nil, fail("open", "/", err)
	}
	return &folder{handle{fd, "/"}}, nil
}

// name gives the path to where it is, and to a name there.
func (w *way) name(name string) string {
	return "/" + strings.Join(append(slices.Clip(w.names), name), "/")
}

// toLast goes to the folder of the last name, which is no link, and returns the name, or "" if the way ends
// in the root of all folders. What has the name, if anything, was not opened.
func (w *way) toLast() (string, error) {
	for len(w.left) > 0 {
		name := w.left[0]
		link, err := w.linkAt(name)
		switch {
		case err != nil:
			return "", err
		case link:
			continue
		case name != ".." && len(w.left) == 1:
			return name, nil
		}
		if err := w.enter(name); err != nil {
			return "", err
		}
	}
	return w.stepBack()
}

// stepBack goes up from a folder that was reached by "..", since its name is wanted.
func (w *way) stepBack() (string, error) {
	if len(w.names) == 0 {
		return "", nil
	}
	here, err := w.at.id()
	if err != nil {
		return "", err
	}
	name := w.names[len(w.names)-1]
	if err := w.enter(".."); err != nil {
		return "", err
	}
	if id, _ := idAt(w.at, name); id != here {
		return "", fmt.Errorf("%s: %w", w.path, ErrMeddled)
	}
	return name, nil
}

// enter goes on to a folder.
func (w *way) enter(name string) error {
	d, err := w.at.pass(name)
	if err != nil {
		return err
	}
	w.at.close()
	w.left = w.left[min(1, len(w.left)):]
	if name != ".." {
		w.names = append(w.names, name)
	} else if len(w.names) > 0 {
		w.names = w.names[:len(w.names)-1]
	}
	d.path = w.name("")[:max(1, len(w.name(""))-1)]
	w.at = d
	return nil
}

// linkAt reports whether a name is a symbolic link, and puts where it leads in its place.
func (w *way) linkAt(name string) (bool, error) {
	m, err := w.at.stat(name)
	if errors.Is(err, fs.ErrNotExist) && len(w.left) == 1 {
		return false, nil
	}
	if err != nil || m.kind != fs.ModeSymlink {
		return false, err
	}
	leads, err := w.at.readlink(name)
	if err != nil {
		return false, err
	}
	if !ours(m.uid) || othersWrite(w.at) {
		return false, &LinkError{Path: w.name(name), Leads: leads}
	}
	if w.links++; w.links > maxLinks {
		return false, fail("open", w.path, unix.ELOOP)
	}
	if w.at.isProc() {
		if w.magic = w.file && len(w.left) == 1; w.magic {
			return false, nil
		}
		return true, w.jump(name)
	}
	if strings.HasPrefix(leads, "/") {
		root, err := openRoot()
		if err != nil {
			return false, err
		}
		w.at.close()
		w.at, w.names = root, nil
	}
	w.left = append(elements(leads), w.left[1:]...)
	return true, nil
}

// ours reports whether a user is the caller or root, whom nothing can be kept from.
func ours(uid int) bool { return uid == 0 || uid == os.Geteuid() }

// othersWrite reports whether anybody but root and the caller may change what is in a folder. A group
// that has the number of its user counts as that user's own (common practice, no source), unless an ACL
// may let others in.
func othersWrite(d *folder) bool {
	m, err := d.stat(".")
	if err != nil || !ours(m.uid) || m.perm&0o002 != 0 {
		return true
	}
	if m.perm&0o020 == 0 {
		return false
	}
	return m.gid != m.uid || hasACL(d)
}

func hasACL(d *folder) bool {
	f, err := d.child(".")
	if err != nil {
		return true
	}
	defer f.close()
	attrs, err := f.attributes()
	return err != nil || attrs[attrACLAccess] != ""
}

// ownPrivate reports whether a folder is the caller's, and closed to all others.
func ownPrivate(d *folder) bool {
	m, err := d.stat(".")
	return err == nil && m.uid == os.Geteuid() && m.perm&0o077 == 0
}

// claim keeps all others out of a folder that is going to be removed.
func claim(d *folder) error {
	m, err := d.stat(".")
	if err != nil {
		return err
	}
	if os.Geteuid() == 0 && m.uid != 0 {
		if err := ignoreForbidden(d.chown(0, 0)); err != nil {
			return err
		}
	}
	if m.perm&0o777 != 0o700 {
		return ignoreForbidden(d.chmod(0o700)) // it may be removed all the same
	}
	return nil
}

// openDoor opens the folder at a path by the rule of OpenFolder.
func openDoor(path string) (*folder, error) {
	w, name, err := wayTo(path, false)
	if err != nil {
		return nil, err
	}
	defer w.at.close()
	if name == "" {
		name = "."
	}
	d, err := w.at.child(name)
	if err == nil {
		d.path = path
	}
	return d, err
}

// wayTo goes to the folder above a path.
func wayTo(path string, toFile bool) (*way, string, error) {
	w, err := newWay(path)
	if err != nil {
		return nil, "", err
	}
	w.file = toFile
	name, err := w.toLast()
	if err != nil {
		w.at.close()
		return nil, "", err
	}
	return w, name, nil
}

// openAbove opens the folder above a path; name is in it, unless the path is the root of all folders,
// and no link. The path that is returned has no links.
func openAbove(path string) (above *folder, name, resolved string, err error) {
	w, name, err := wayTo(path, false)
	if err != nil {
		return nil, "", "", err
	}
	return w.at, name, w.name(name), nil
}

// openFileDoor opens a file of any kind at a path for reading, by the same rule.
func openFileDoor(path string) (*os.File, error) {
	w, name, err := wayTo(path, true)
	if err != nil {
		return nil, err
	}
	defer w.at.close()
	if name == "" {
		name = "."
	}
	flags := unix.O_RDONLY | unix.O_NOFOLLOW | unix.O_CLOEXEC
	if w.magic {
		flags &^= unix.O_NOFOLLOW
	}
	fd, err := again(func() (int, error) { return unix.Openat(w.at.fd, name, flags, 0) })
	if err != nil {
		return nil, fail("open", path, err)
	}
	return os.NewFile(uintptr(fd), path), nil
}

// otherDevice tells whether a folder is on another device than the one above it.
func (d *folder) otherDevice() bool {
	here, err := d.stat(".")
	if err != nil {
		return false
	}
	above, err := d.stat("..")
	return err == nil && here.dev != above.dev
}

// osFile gives a file to those who want an os.File, which closes it.
func (f *file) osFile() *os.File { return os.NewFile(uintptr(f.fd), f.path) }

// isOtherMount tells whether a link failed since the two names lie in two mounts (link(2), EXDEV); Linux looks at that before
// it asks the file system (fs/namei.c: do_linkat, from memory).
func isOtherMount(err error) bool { return errors.Is(err, unix.EXDEV) }

func (d *folder) renameOver(name string, to *folder, newName string) error {
	_, err := again(func() (int, error) { return 0, unix.Renameat(d.fd, name, to.fd, newName) })
	return linkFail("rename", d.join(name), to.join(newName), err)
}

// unlink removes what is no folder, and reports whether it is one.
func (d *folder) unlink(name string) (wasFolder bool, err error) {
	err = unix.Unlinkat(d.fd, name, 0)
	if err == unix.EISDIR || err == unix.EPERM {
		if m, failed := d.stat(name); failed == nil && m.kind == fs.ModeDir {
			return true, nil
		}
	}
	return false, ignoreGone(fail("remove", d.join(name), err))
}

// rmdir removes an empty folder.
func (d *folder) rmdir(name string) error {
	return fail("remove", d.join(name), unix.Unlinkat(d.fd, name, unix.AT_REMOVEDIR))
}

// fsync flushes the names in a folder.
func (d *folder) fsync() error {
	err := unix.Fsync(d.fd)
	if err != unix.EBADF {
		return ignoreUnsupported(fail("fsync", d.path, err))
	}
	f, err := d.reader() // d was only opened to pass through
	if err != nil {
		return err
	}
	defer f.Close()
	return ignoreUnsupported(f.Sync())
}
