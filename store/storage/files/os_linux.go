package files

import (
	"encoding/binary"
	"errors"
	"io/fs"
	"os"
	"path"
	"slices"
	"sync"
	"time"

	"golang.org/x/sys/unix"
)

// A share's client asks its server about each folder on the way to a file that is opened
// one after the other, as os.Root does. openat2 (Linux 5.6) goes the way at once, and as
// surely: not above the folder, and along no link.

// beneath opens what is below the folder. Where it can't, in whatever way, ok is false: os.Root
// has the last word.
func (r root) beneath(name string, flags uint64, mode uint64) (file *os.File, ok bool, err error) {
	how := unix.OpenHow{Flags: flags | unix.O_CLOEXEC | unix.O_NOFOLLOW, Mode: mode, Resolve: unix.RESOLVE_BENEATH | unix.RESOLVE_NO_SYMLINKS}
	conn, err := r.at.SyscallConn()
	if err != nil {
		return nil, true, &fs.PathError{Op: "openat2", Path: name, Err: err}
	}
	for {
		var fd int
		var err error
		// Who was left behind may ask when the folder is closed: its descriptor is not to be another file's by then.
		if closed := conn.Control(func(at uintptr) { fd, err = unix.Openat2(int(at), name, &how) }); closed != nil {
			return nil, true, &fs.PathError{Op: "openat2", Path: name, Err: closed}
		}
		switch err {
		case nil:
			return os.NewFile(uintptr(fd), name), true, nil
		case unix.EINTR:
			continue
		case unix.ENOENT, unix.EEXIST, unix.EIO, unix.ESTALE, unix.ENOSPC, unix.EDQUOT, unix.EROFS:
			return nil, true, &fs.PathError{Op: "openat2", Path: name, Err: err}
		}
		return nil, false, nil // an older kernel, a link, a filter of system calls
	}
}

// Forsakes implements [Forsaking]: CIFS does. Its numbers are of the kernel's linux/magic.h and fs/smb/client/cifsfs.h.
func (r root) Forsakes() bool {
	const cifs, smb2 = 0xFF534D42, 0xFE534D42
	var s unix.Statfs_t
	conn, err := r.at.SyscallConn()
	if err == nil {
		err = conn.Control(func(at uintptr) { unix.Fstatfs(int(at), &s) })
	}
	if err != nil {
		return false
	}
	kind := uint32(s.Type)
	return kind == cifs || kind == smb2
}

// Open opens without waiting for anybody, as it may be a named pipe, and then looks what it is.
func (r root) Open(name string) (ReadFile, error) {
	file, ok, err := r.beneath(name, unix.O_RDONLY|unix.O_NONBLOCK, 0)
	if !ok {
		return r.openRegular(name)
	}
	if err != nil {
		return nil, err
	}
	info, err := file.Stat()
	if err == nil && !info.Mode().IsRegular() {
		err = fs.ErrNotExist
	}
	if err != nil {
		file.Close()
		return nil, err
	}
	return file, nil
}

// Stat implements [System].
func (r root) Stat(name string) (fs.FileInfo, error) {
	file, ok, err := r.beneath(name, unix.O_PATH, 0)
	if !ok {
		return r.root.Lstat(name)
	}
	if err != nil {
		return nil, err
	}
	defer file.Close()
	return file.Stat()
}

// Create implements [System].
func (r root) Create(name string) (WriteFile, error) {
	file, ok, err := r.beneath(name, unix.O_CREAT|unix.O_EXCL|unix.O_WRONLY, 0o600)
	if !ok {
		return r.createFile(name)
	}
	if err != nil {
		return nil, err
	}
	return newStreamed(file), nil
}

// within opens the folder that a name is in, only to name what is in it.
func (r root) within(name string) (folder *os.File, base string, ok bool, err error) {
	folder, ok, err = r.beneath(path.Dir(name), unix.O_PATH|unix.O_DIRECTORY, 0)
	return folder, path.Base(name), ok, err
}

// Rename implements [System].
func (r root) Rename(from, to string) error {
	a, old, ok, err := r.within(from)
	if !ok {
		return r.root.Rename(from, to)
	}
	if err != nil {
		return err
	}
	defer a.Close()
	b := a
	base := path.Base(to)
	if path.Dir(to) != path.Dir(from) {
		if b, _, ok, err = r.within(to); !ok {
			return r.root.Rename(from, to)
		}
		if err != nil {
			return err
		}
		defer b.Close()
	}
	if err := again(func() error { return unix.Renameat(int(a.Fd()), old, int(b.Fd()), base) }); err != nil {
		return &os.LinkError{Op: "renameat", Old: from, New: to, Err: err}
	}
	return nil
}

// Remove implements [System]. Nothing asks it to remove a folder.
func (r root) Remove(name string) error {
	folder, base, ok, err := r.within(name)
	if !ok {
		return r.root.Remove(name)
	}
	if err != nil {
		return err
	}
	defer folder.Close()
	if err := again(func() error { return unix.Unlinkat(int(folder.Fd()), base, 0) }); err != nil {
		return &fs.PathError{Op: "unlinkat", Path: name, Err: err}
	}
	return nil
}

// Mkdir implements [System].
func (r root) Mkdir(name string) error {
	folder, base, ok, err := r.within(name)
	if !ok {
		return r.root.Mkdir(name, 0o700)
	}
	if err != nil {
		return err
	}
	defer folder.Close()
	if err := again(func() error { return unix.Mkdirat(int(folder.Fd()), base, 0o700) }); err != nil {
		return &fs.PathError{Op: "mkdirat", Path: name, Err: err}
	}
	return nil
}

// again does a call until no signal interrupts it.
func again(call func() error) error {
	for {
		if err := call(); err != unix.EINTR {
			return err
		}
	}
}

// openFolder opens a folder to be read.
func (r root) openFolder(name string) (*os.File, error) {
	file, ok, err := r.beneath(name, unix.O_RDONLY|unix.O_DIRECTORY, 0)
	if !ok {
		return r.root.Open(name)
	}
	return file, err
}

// namesAtOnce is what is read of a folder at a time, in bytes: some 2,700 names of slabs. An NFS client that lists a folder gets the names
// of the first piece with what else there is to know, and those of others by what it saw of the pieces before: mounted with actimeo=3
// (Linux 6.1), 1,300 files took 361 calls in pieces of 32 KiB, and take 5.
const namesAtOnce = 128 << 10

// Names implements [Namer]. Over NFS most entries come without their types. A folder without folders in
// it, by its links, as most file systems count them, has files alone: what else there may be has the name
// of no object, or is found not to be one when it is opened. Elsewhere each is asked for.
func (r root) Names(folder string) ([]Entry, error) {
	var all []Entry
	err := r.read(folder, func(at *os.File, entries []Entry) error {
		unknown := slices.DeleteFunc(slices.Clone(entries), func(e Entry) bool { return e.Type != unknownType })
		all = append(all, slices.DeleteFunc(entries, func(e Entry) bool { return e.Type == unknownType })...)
		if len(unknown) == 0 {
			return nil
		}
		if noFolders(at) {
			for _, e := range unknown {
				all = append(all, Entry{Name: e.Name})
			}
			return nil
		}
		infos, err := lstatAll(at, unknown)
		for _, info := range infos {
			all = append(all, Entry{info.Name(), info.Mode().Type()})
		}
		return err
	})
	return all, err
}

// noFolders tells whether a folder surely has no folders in it: only its own name and "." lead to it.
func noFolders(at *os.File) bool {
	var s unix.Stat_t
	return unix.Fstat(int(at.Fd()), &s) == nil && s.Nlink == 2
}

// List asks for names and for what is known of each by turns, relative to the open folder.
func (r root) List(folder string) ([]fs.FileInfo, error) {
	var all []fs.FileInfo
	err := r.read(folder, func(at *os.File, entries []Entry) error {
		infos, err := lstatAll(at, entries)
		all = append(all, infos...)
		return err
	})
	return all, err
}

// read gives the entries of a folder, some at a time.
func (r root) read(folder string, use func(*os.File, []Entry) error) error {
	at, err := r.openFolder(folder)
	if err != nil {
		return err
	}
	defer at.Close()
	for buf := make([]byte, namesAtOnce); ; {
		n, err := readDirent(at, buf)
		if err != nil {
			return &fs.PathError{Op: "readdirent", Path: folder, Err: err}
		}
		if n == 0 {
			return nil
		}
		if err := use(at, parseDirents(buf[:n])); err != nil {
			return err
		}
	}
}

func readDirent(at *os.File, buf []byte) (int, error) {
	for {
		n, err := unix.ReadDirent(int(at.Fd()), buf)
		if err != unix.EINTR {
			return n, err
		}
	}
}

// unknownType stands for a type that a file system does not say.
const unknownType = ^fs.FileMode(0)

// direntName is where the name begins in an entry as getdents64(2) gives it: behind 8 bytes of
// inode, 8 of offset, 2 of the entry's length, 1 of type.
const direntName = 19

func parseDirents(b []byte) (all []Entry) {
	for len(b) > direntName {
		n := int(binary.NativeEndian.Uint16(b[16:]))
		if n <= direntName || n > len(b) {
			return all
		}
		if name := unix.ByteSliceToString(b[direntName:n]); name != "." && name != ".." {
			all = append(all, Entry{name, typeOf(b[direntName-1])})
		}
		b = b[n:]
	}
	return all
}

func typeOf(t byte) fs.FileMode {
	switch t {
	case unix.DT_REG:
		return 0
	case unix.DT_DIR:
		return fs.ModeDir
	case unix.DT_LNK:
		return fs.ModeSymlink
	case unix.DT_UNKNOWN:
		return unknownType
	}
	return fs.ModeIrregular
}

// lstatAt describes an entry of an open folder.
func lstatAt(at *os.File, name string) (fs.FileInfo, error) {
	for {
		fd, err := unix.Openat(int(at.Fd()), name, unix.O_PATH|unix.O_NOFOLLOW|unix.O_CLOEXEC, 0)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return nil, &fs.PathError{Op: "openat", Path: name, Err: err}
		}
		file := os.NewFile(uintptr(fd), name)
		defer file.Close()
		return file.Stat()
	}
}

// Who answers slowly is asked for several at a time.
const (
	slowAnswer = time.Millisecond
	askAtOnce  = 64
)

// lstatAll describes entries of an open folder, but for those that were removed meanwhile.
func lstatAll(at *os.File, entries []Entry) ([]fs.FileInfo, error) {
	infos, errs := make([]fs.FileInfo, len(entries)), make([]error, len(entries))
	i := 0
	for ; i < len(entries); i++ {
		began := time.Now()
		if infos[i], errs[i] = lstatAt(at, entries[i].Name); time.Since(began) > slowAnswer {
			i++
			break
		}
	}
	var asking sync.WaitGroup
	for part := range min(askAtOnce, len(entries)-i) {
		asking.Go(func() {
			for n := i + part; n < len(entries); n += askAtOnce {
				infos[n], errs[n] = lstatAt(at, entries[n].Name)
			}
		})
	}
	asking.Wait()
	there := infos[:0]
	for n, err := range errs {
		switch {
		case err == nil:
			there = append(there, infos[n])
		case !errors.Is(err, fs.ErrNotExist):
			return nil, err
		}
	}
	return there, nil
}
