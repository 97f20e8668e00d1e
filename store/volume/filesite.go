package volume

import (
	"cmp"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// A FileSite is the place of a single file that another one is to take, by the folder that it lies in. What is done by it is
// done in that folder and no other, whatever its name stands for by then. It is for one goroutine at a time.
type FileSite struct {
	d    *folder
	name string
	path string
}

// OpenFileSite opens the folder that a file lies in, with the care of [OpenFolder]: a link on the way, or in the place itself,
// is followed by its rule, and is a *[LinkError] otherwise. The file may be missing. It fails with [ErrNotReplaceable] for
// what is no regular file.
func OpenFileSite(path string) (*FileSite, error) {
	d, name, resolved, err := openAbove(path)
	if err != nil {
		return nil, err
	}
	s := &FileSite{d, name, resolved}
	m, err := s.stat()
	if errors.Is(err, fs.ErrNotExist) {
		return s, nil
	}
	if err == nil && m.kind != 0 {
		err = fmt.Errorf("%s: %w: it is no regular file", s.path, ErrNotReplaceable)
	}
	if err != nil {
		d.close()
		return nil, err
	}
	return s, nil
}

func (s *FileSite) stat() (*meta, error) {
	if s.name == "" {
		return nil, fmt.Errorf("%s: %w", s.path, ErrNotReplaceable)
	}
	return s.d.stat(s.name)
}

// Close closes the folder.
func (s *FileSite) Close() error { return s.d.close() }

// Path is the file's path without links, as it was when the site was opened.
func (s *FileSite) Path() string { return s.path }

// Beside gives the path of a name in the file's folder.
func (s *FileSite) Beside(name string) string { return filepath.Join(filepath.Dir(s.path), name) }

// Check sees, while the file is in use, that another one can take its place: that one can be made beside it, and nothing is
// mounted on it, for then it fails with [ErrNotReplaceable]. What it makes for that is gone again when it returns.
func (s *FileSite) Check() error {
	m, err := s.stat()
	if err != nil {
		return err
	}
	f, err := s.Create()
	if err != nil {
		return err
	}
	probe := filepath.Base(f.Name())
	err = cmp.Or(f.Close(), s.Remove(probe))
	if err != nil {
		return err
	}
	if err := s.d.link(s.d, s.name, probe); isOtherMount(err) {
		return fmt.Errorf("%s: %w: something is mounted on it", s.path, ErrNotReplaceable)
	} else if err != nil {
		return nil // no file system has to have hard links: Exchange does without
	}
	if is, err := s.d.stat(probe); err != nil || is.ino != m.ino {
		return fmt.Errorf("%s: %w", s.path, ErrMeddled)
	}
	return s.Remove(probe)
}

// Create makes a file beside it, of a name that nothing else has, which only its owner, the caller, may read and write.
func (s *FileSite) Create() (*os.File, error) {
	f, err := s.d.create("."+s.name+".new-"+strings.ToLower(rand.Text()[:10]), 0o600)
	if err != nil {
		return nil, err
	}
	return f.osFile(), nil
}

// Dress gives a file of Create the permissions of the one that is in the place now and, for root, its owner.
func (s *FileSite) Dress(f *os.File) error {
	m, err := s.stat()
	if err != nil {
		return err
	}
	if m.kind != 0 {
		return fmt.Errorf("%s: %w: it is no regular file", s.path, ErrNotReplaceable)
	}
	if os.Geteuid() == 0 {
		if err := f.Chown(m.uid, m.gid); err != nil {
			return err
		}
	}
	return f.Chmod(fs.FileMode(m.perm).Perm())
}

// Exchange puts the file of a name beside it in the place, and gives what was there the name kept, which must be free. Where
// the file system has no hard links nothing is in the place for a moment; after a kill just then, and when it fails,
// Settle puts that right. Flush makes sure of it.
func (s *FileSite) Exchange(part, kept string) error {
	if err := errors.Join(checkSingle(part), checkSingle(kept)); err != nil {
		return err
	}
	if _, err := s.d.stat(kept); !errors.Is(err, fs.ErrNotExist) {
		return cmp.Or(err, fmt.Errorf("%s: %w", s.Beside(kept), fs.ErrExist))
	}
	if unlinked := s.d.link(s.d, s.name, kept); unlinked != nil {
		if err := s.d.renameOver(s.name, s.d, kept); err != nil {
			return errors.Join(unlinked, err)
		}
	}
	if err := s.d.renameOver(part, s.d, s.name); err != nil {
		return errors.Join(err, s.Settle(kept))
	}
	return nil
}

// Settle ends an Exchange that did not come to its end: what has the name kept gets its place back where nothing is there, and
// goes where it is the same file.
func (s *FileSite) Settle(kept string) error {
	if err := checkSingle(kept); err != nil {
		return err
	}
	was, err := s.d.stat(kept)
	if err != nil {
		return ignoreGone(err)
	}
	is, err := s.stat()
	switch {
	case errors.Is(err, fs.ErrNotExist) && was.kind == 0:
		return s.d.renameOver(kept, s.d, s.name)
	case err != nil:
		return err
	case was.dev == is.dev && was.ino == is.ino && was.kind == 0:
		return s.Remove(kept)
	}
	return nil
}

// Remove removes a file beside it. That it is gone is no error.
func (s *FileSite) Remove(name string) error {
	if err := checkSingle(name); err != nil {
		return err
	}
	_, err := s.d.unlink(name)
	return ignoreGone(err)
}

// Flush flushes the names in the folder.
func (s *FileSite) Flush() error { return s.d.fsync() }
