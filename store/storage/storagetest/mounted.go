package storagetest

import (
	"bytes"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/store/storage/files"
)

// repository is the folder's name on the disk.
const repository = "repository"

// place is a Disk as a files.Place.
type place struct{ *Disk }

func (place) Path() string { return repository }

func (p place) Make() error { return p.parent().Mkdir(repository) }

func (p place) Flush() error { return p.parent().SyncFolder(".") }

func (p place) Open() (files.System, error) {
	var found *inode
	parent := p.parent()
	err := parent.call(Open, ".", func() (err error) {
		found, err = parent.find(repository)
		return err
	})
	if err != nil {
		return nil, err
	}
	return &mounted{p.Disk, parent.top, found}, nil
}

// parent gives the folder that the repository's folder is in.
func (p place) parent() *mounted {
	p.mu.Lock()
	defer p.mu.Unlock()
	return &mounted{p.Disk, p.top, p.top}
}

// mounted is a folder of a Disk that is held open, as a files.System.
type mounted struct {
	disk *Disk
	top  *inode // of the disk when this was opened: another one after a restart
	at   *inode
}

// call does a call that only reads.
func (m *mounted) call(method Method, name string, do func() error) error {
	return m.guard(method, name, false, func(*Fault) error { return do() })
}

// change does a call that changes the disk.
func (m *mounted) change(method Method, name string, do func(fault *Fault) error) error {
	return m.guard(method, name, true, do)
}

// guard counts a call, does it with the disk locked, and lets it go wrong if it is to.
func (m *mounted) guard(method Method, name string, changes bool, do func(*Fault) error) error {
	fault := m.disk.begin(method, name)
	if err := m.disk.await(fault); err != nil {
		return &fs.PathError{Op: string(method), Path: name, Err: err}
	}
	m.disk.mu.Lock()
	defer m.disk.mu.Unlock()
	err := m.power(method, changes, do)
	if err == nil {
		err = m.do(fault, do)
	}
	if err != nil && err != io.EOF {
		return &fs.PathError{Op: string(method), Path: name, Err: err}
	}
	return err
}

// power counts a change, and returns ErrCrashed once the power is off. A chance says
// whether the change at which it fails is still done.
func (m *mounted) power(method Method, changes bool, do func(*Fault) error) error {
	d := m.disk
	if d.crashed || m.top != d.top {
		return ErrCrashed
	}
	if !changes {
		return nil
	}
	d.changes++
	if d.crashAt < 0 || d.changes <= d.crashAt {
		return nil
	}
	d.crashed = true
	if method != Sync && method != SyncFolder && chooser(d.seed^uint64(d.changes)<<1)(2) == 1 {
		do(nil) // nobody hears of it
	}
	return ErrCrashed
}

// do does a call as a fault lets it be done.
func (m *mounted) do(fault *Fault, do func(*Fault) error) error {
	if fault.has(Fail) {
		return fault.error()
	}
	err := do(fault)
	if err == nil && fault.has(FailAfter, TearAndFail) {
		err = fault.error()
	}
	return err
}

func (m *mounted) find(name string) (*inode, error) {
	node := m.at
	if name == "." {
		return node, nil
	}
	for element := range strings.SplitSeq(name, "/") {
		if node = node.get(element); node == nil {
			return nil, fs.ErrNotExist
		}
	}
	return node, nil
}

// vacant gives the folder that a new name is to be in.
func (m *mounted) vacant(name string) (*inode, error) {
	folder, err := m.find(path.Dir(name))
	switch {
	case err != nil:
		return nil, err
	case !folder.folder:
		return nil, fs.ErrNotExist
	case folder.get(path.Base(name)) != nil:
		return nil, fs.ErrExist
	}
	return folder, nil
}

func (m *mounted) put(folder *inode, name string, node *inode) {
	m.disk.births++
	folder.set(path.Base(name), m.disk.changes, m.disk.births, node)
}

func (m *mounted) make(method Method, name string, folder bool) (node *inode, err error) {
	err = m.change(method, name, func(*Fault) error {
		above, err := m.vacant(name)
		if err == nil {
			node = m.disk.newInode(folder)
			m.put(above, name, node)
		}
		return err
	})
	return node, err
}

func (m *mounted) Create(name string) (files.WriteFile, error) {
	node, err := m.make(Create, name, false)
	if err != nil {
		return nil, err
	}
	return &writing{m, name, node}, nil
}

func (m *mounted) Mkdir(name string) error {
	_, err := m.make(Mkdir, name, true)
	return err
}

func (m *mounted) Open(name string) (files.ReadFile, error) {
	r := &reading{mounted: m, name: name}
	err := m.call(Open, name, func() (err error) {
		if r.node, err = m.find(name); err == nil && r.node.folder {
			err = fs.ErrNotExist
		}
		if err == nil {
			m.disk.reading++
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return r, nil
}

func (m *mounted) Stat(name string) (info fs.FileInfo, err error) {
	err = m.call(Stat, name, func() error {
		node, err := m.find(name)
		if err == nil {
			info = node.info(name)
		}
		return err
	})
	return info, err
}

func (m *mounted) List(name string) (infos []fs.FileInfo, err error) {
	err = m.guard(List, name, false, func(fault *Fault) error {
		folder, err := m.find(name)
		if err != nil {
			return err
		}
		for element, e := range folder.entries {
			if node := e.getAt(m.disk.changes - m.disk.lag); node != nil {
				infos = append(infos, node.info(element))
			}
		}
		if fault.tears() {
			infos = infos[:min(fault.Keep, len(infos))]
		}
		return nil
	})
	return infos, err
}

// Rename refuses what exists already, as the strictest shares do.
func (m *mounted) Rename(from, to string) error {
	return m.change(Rename, to, func(*Fault) error {
		node, err := m.find(from)
		if err != nil {
			return err
		}
		folder, err := m.vacant(to)
		if err != nil {
			return err
		}
		old, err := m.find(path.Dir(from))
		m.put(old, from, nil)
		m.put(folder, to, node)
		return err
	})
}

func (m *mounted) Remove(name string) error {
	return m.change(Remove, name, func(*Fault) error {
		node, err := m.find(name)
		if err != nil {
			return err
		}
		folder, err := m.find(path.Dir(name))
		m.put(folder, name, nil)
		m.disk.release(node)
		return err
	})
}

func (m *mounted) SyncFolder(name string) error {
	return m.change(SyncFolder, name, func(fault *Fault) error {
		folder, err := m.find(name)
		if err == nil && !fault.tears() {
			folder.flushEntries()
		}
		return err
	})
}

func (m *mounted) Close() error { return nil }

// Forsakes implements files.Forsaking.
func (m *mounted) Forsakes() bool {
	m.disk.mu.Lock()
	defer m.disk.mu.Unlock()
	return m.disk.forsake
}

// writing is a files.WriteFile.
type writing struct {
	*mounted
	name string
	node *inode
}

func (w *writing) Write(p []byte) (n int, err error) {
	err = w.change(Write, w.name, func(fault *Fault) error {
		part := p
		if fault.tears() {
			part = p[:min(fault.Keep, len(p))]
		}
		room, err := w.disk.spend(len(part))
		w.node.content = append(w.node.content, part[:room]...)
		w.node.modified = w.disk.now()
		n = room
		return err
	})
	return n, err
}

func (w *writing) Sync() error {
	return w.change(Sync, w.name, func(fault *Fault) error {
		switch {
		case fault.has(TearAndFail):
			w.node.content = slices.Clip(w.node.content[:min(fault.Keep, len(w.node.content))])
		case !fault.tears():
			w.node.flushed = bytes.Clone(w.node.content)
		}
		return nil
	})
}

// Close flushes nothing. It changes nothing on the disk either, but counts as a change:
// some shares send what was written only now.
func (w *writing) Close() error {
	return w.change(Close, w.name, func(*Fault) error { return nil })
}

// reading is a files.ReadFile.
type reading struct {
	*mounted
	name string
	node *inode
}

func (r *reading) ReadAt(p []byte, off int64) (n int, err error) {
	err = r.guard(ReadAt, r.name, false, func(fault *Fault) (err error) {
		content := r.node.content
		if fault.tears() {
			content = content[:min(fault.Keep, len(content))]
		}
		n, err = bytes.NewReader(content).ReadAt(p, off)
		return err
	})
	return n, err
}

func (r *reading) Stat() (info fs.FileInfo, err error) {
	err = r.call(Stat, r.name, func() error {
		info = r.node.info(r.name)
		return nil
	})
	return info, err
}

func (r *reading) Close() error {
	r.disk.mu.Lock()
	defer r.disk.mu.Unlock()
	r.disk.reading--
	return nil
}

// fileInfo is an fs.FileInfo.
type fileInfo struct {
	name     string
	size     int64
	modified time.Time
	mode     fs.FileMode
}

func (node *inode) info(name string) fs.FileInfo {
	i := fileInfo{path.Base(name), int64(len(node.content)), node.modified, 0}
	if node.folder {
		i.mode = fs.ModeDir
	}
	return i
}

func (i fileInfo) Name() string       { return i.name }
func (i fileInfo) Size() int64        { return i.size }
func (i fileInfo) ModTime() time.Time { return i.modified }
func (i fileInfo) Mode() fs.FileMode  { return i.mode }
func (i fileInfo) IsDir() bool        { return i.mode.IsDir() }
func (i fileInfo) Sys() any           { return nil }
