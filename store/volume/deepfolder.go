package volume

import (
	"slices"
	"sync"
	"sync/atomic"
)

// sharedFolder is a folder that is closed when nobody uses it any more. Those that lie deep are not
// all open at a time: each is opened again when it is used.
type sharedFolder struct {
	users atomic.Int32
	deep  *deepFolders // nil: it is open as long as anybody uses it
	f     *folder      // guarded by deep.mu, where deep is set; nil: closed

	parent *sharedFolder // these are of deep ones
	name   string
	id     inode
	inUse  int // pins

	dev   uint64 // these two are the walker's
	clock clock
}

// share gives an open folder that is not deep.
func share(d *folder) *sharedFolder {
	s := &sharedFolder{f: d}
	s.users.Store(1)
	return s
}

func (d *sharedFolder) hold() { d.users.Add(1) }

func (d *sharedFolder) release() {
	for d != nil && d.users.Add(-1) == 0 {
		if d.deep == nil {
			d.f.close()
			return
		}
		d.deep.forget(d)
		d = d.parent
	}
}

// pin gives the folder, open until unpin is called. It fails with errGone where it isn't any more where
// it was.
func (d *sharedFolder) pin() (*folder, error) {
	if d.deep == nil {
		return d.f, nil
	}
	return d.deep.pin(d)
}

func (d *sharedFolder) unpin() {
	if d.deep != nil {
		d.deep.mu.Lock()
		d.inUse--
		d.deep.mu.Unlock()
	}
}

// pinned calls do with the open folder.
func pinned[T any](d *sharedFolder, do func(*folder) (T, error)) (T, error) {
	f, err := d.pin()
	if err != nil {
		var none T
		return none, err
	}
	defer d.unpin()
	return do(f)
}

// maxOpen is how many folders are open above a place, and how many of those that lie deeper.
const maxOpen = 256

// deepFolders keeps some of the folders open that lie deeper than maxOpen, those that were used last.
type deepFolders struct {
	mu   sync.Mutex
	open []*sharedFolder // the one used last behind all others
}

// add makes a folder, opened in parent, one of them.
func (s *deepFolders) add(parent *sharedFolder, name string, f *folder) (*sharedFolder, error) {
	m, err := f.stat(".")
	if err != nil {
		f.close()
		return nil, err
	}
	d := &sharedFolder{deep: s, f: f, parent: parent, name: name, id: inode{m.dev, m.ino}}
	d.users.Store(1)
	parent.hold()
	s.mu.Lock()
	defer s.mu.Unlock()
	s.open = append(s.open, d)
	s.limit()
	return d, nil
}

func (s *deepFolders) pin(d *sharedFolder) (*folder, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if d.f == nil {
		if err := s.reopen(d); err != nil {
			return nil, err
		}
	} else if i := slices.Index(s.open, d); i >= 0 {
		s.open = append(slices.Delete(s.open, i, i+1), d)
	}
	d.inUse++
	return d.f, nil
}

// reopen opens the folder from the deepest open one above it, with those between. Each must be the one
// that it was.
func (s *deepFolders) reopen(d *sharedFolder) error {
	var closed []*sharedFolder
	for ; d.f == nil; d = d.parent {
		closed = append(closed, d)
	}
	for _, c := range slices.Backward(closed) {
		f, err := c.parent.f.child(c.name)
		if err != nil {
			return gone(err)
		}
		if m, err := f.stat("."); err != nil || c.id != (inode{m.dev, m.ino}) {
			f.close()
			return errGone
		}
		c.f = f
		s.open = append(s.open, c)
		s.limit()
	}
	return nil
}

// limit closes those used longest ago, of those that nobody uses now. The last one stays open.
func (s *deepFolders) limit() {
	for i := 0; len(s.open) > maxOpen && i < len(s.open)-1; {
		d := s.open[i]
		if d.inUse > 0 {
			i++
			continue
		}
		d.f.close()
		d.f = nil
		s.open = slices.Delete(s.open, i, i+1)
	}
}

// forget closes a folder that nobody will use again.
func (s *deepFolders) forget(d *sharedFolder) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if d.f == nil {
		return
	}
	d.f.close()
	d.f = nil
	if i := slices.Index(s.open, d); i >= 0 {
		s.open = slices.Delete(s.open, i, i+1)
	}
}
