package storage

import (
	"bytes"
	"io/fs"
	"maps"
	"math/rand/v2"
	"path"
	"slices"
	"sync"
	"time"
)

// diskFiles is files in memory, with a disk below that has only what was flushed: a
// file's content by Sync, a folder's entries by syncFolder.
type diskFiles struct {
	mu       sync.Mutex
	seen     map[string]*inode // what calls see, by path
	flushed  map[string]*inode // the entries on disk
	openings int               // handles open for reading
}

type inode struct {
	folder   bool
	content  []byte
	flushed  []byte
	modified time.Time
}

func newDisk(folders ...string) *diskFiles {
	d := &diskFiles{seen: map[string]*inode{".": {folder: true}}}
	for _, folder := range folders {
		d.seen[folder] = &inode{folder: true}
	}
	d.flushed = maps.Clone(d.seen)
	return d
}

// crash gives the disk as a power failure may leave it: what was flushed is there; of
// the rest, chance decides which entries were written, and how much of a content.
func (d *diskFiles) crash(chance *rand.Rand) *diskFiles {
	d.mu.Lock()
	defer d.mu.Unlock()
	left := newDisk()
	names := slices.Collect(maps.Keys(d.seen))
	names = slices.AppendSeq(names, maps.Keys(d.flushed))
	slices.Sort(names) // an entry comes after its folder
	for _, name := range slices.Compact(names) {
		node := d.flushed[name]
		if d.seen[name] != node && chance.IntN(2) == 0 {
			node = d.seen[name]
		}
		if node == nil || left.seen[path.Dir(name)] == nil {
			continue
		}
		content := node.flushed
		if !bytes.Equal(content, node.content) && chance.IntN(2) == 0 {
			content = node.content[:chance.IntN(len(node.content)+1)]
		}
		left.seen[name] = &inode{folder: node.folder, content: content, flushed: content}
	}
	left.flushed = maps.Clone(left.seen)
	return left
}

func (d *diskFiles) create(name string) (writeFile, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.vacant("open", name); err != nil {
		return nil, err
	}
	node := &inode{modified: time.Now()}
	d.seen[name] = node
	return &diskFile{d, node}, nil
}

func (d *diskFiles) vacant(op, name string) error {
	if above := d.seen[path.Dir(name)]; above == nil || !above.folder {
		return &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
	}
	if d.seen[name] != nil {
		return &fs.PathError{Op: op, Path: name, Err: fs.ErrExist}
	}
	return nil
}

func (d *diskFiles) find(op, name string) (*inode, error) {
	if node := d.seen[name]; node != nil {
		return node, nil
	}
	return nil, &fs.PathError{Op: op, Path: name, Err: fs.ErrNotExist}
}

func (d *diskFiles) open(name string) (readFile, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	node, err := d.find("open", name)
	if err != nil {
		return nil, err
	}
	d.openings++
	return &diskReader{d, name, node}, nil
}

func (d *diskFiles) lstat(name string) (fs.FileInfo, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	node, err := d.find("lstat", name)
	if err != nil {
		return nil, err
	}
	return diskInfo{path.Base(name), *node}, nil
}

func (d *diskFiles) list(folder string) ([]fs.FileInfo, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, err := d.find("open", folder); err != nil {
		return nil, err
	}
	var infos []fs.FileInfo
	for name, node := range d.seen {
		if name != "." && path.Dir(name) == folder {
			infos = append(infos, diskInfo{path.Base(name), *node})
		}
	}
	return infos, nil
}

func (d *diskFiles) rename(from, to string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	node, err := d.find("rename", from)
	if err != nil {
		return err
	}
	delete(d.seen, from)
	d.seen[to] = node
	return nil
}

func (d *diskFiles) remove(name string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, err := d.find("remove", name); err != nil {
		return err
	}
	delete(d.seen, name)
	return nil
}

func (d *diskFiles) mkdir(name string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if err := d.vacant("mkdir", name); err != nil {
		return err
	}
	d.seen[name] = &inode{folder: true}
	return nil
}

func (d *diskFiles) syncFolder(folder string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, err := d.find("sync", folder); err != nil {
		return err
	}
	inFolder := func(name string, _ *inode) bool { return name != "." && path.Dir(name) == folder }
	maps.DeleteFunc(d.flushed, inFolder)
	for name, node := range d.seen {
		if inFolder(name, node) {
			d.flushed[name] = node
		}
	}
	return nil
}

func (d *diskFiles) close() error { return nil }

type diskFile struct {
	disk *diskFiles
	node *inode
}

func (f *diskFile) Write(p []byte) (int, error) {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	f.node.content = append(f.node.content, p...)
	return len(p), nil
}

func (f *diskFile) Sync() error {
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	f.node.flushed = bytes.Clone(f.node.content)
	return nil
}

func (f *diskFile) Close() error { return nil }

type diskReader struct {
	disk *diskFiles
	name string
	node *inode
}

func (r *diskReader) ReadAt(p []byte, off int64) (int, error) {
	return bytes.NewReader(r.node.content).ReadAt(p, off)
}

func (r *diskReader) Stat() (fs.FileInfo, error) { return diskInfo{path.Base(r.name), *r.node}, nil }

func (r *diskReader) Close() error {
	r.disk.mu.Lock()
	defer r.disk.mu.Unlock()
	r.disk.openings--
	return nil
}

type diskInfo struct {
	name string
	inode
}

func (i diskInfo) Name() string       { return i.name }
func (i diskInfo) Size() int64        { return int64(len(i.content)) }
func (i diskInfo) ModTime() time.Time { return i.modified }
func (i diskInfo) IsDir() bool        { return i.folder }
func (i diskInfo) Sys() any           { return nil }
func (i diskInfo) Mode() fs.FileMode {
	if i.folder {
		return fs.ModeDir
	}
	return 0
}
