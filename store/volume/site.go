package volume

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// site is what the target of Replace was found to be. It is open folders, since names may come to stand
// for something else.
type site struct {
	path    string // absolute, without links; for messages and mounts
	exists  bool
	mounted bool // something is mounted on it

	above *folder // the folder that has it
	base  string  // its name there
	live  *folder // itself; nil where it is missing or the caller may not list it
	meta  *meta   // of itself
	home  *folder // where folders of ours are: above, or live where that is a mount point
	// watched says that others may write in home, and names are to be looked at after each change.
	watched bool
}

// findSite looks at target.
func findSite(target string) (*site, error) {
	above, base, path, err := openAbove(target)
	if err != nil {
		return nil, leadsNowhere(target, err, err)
	}
	s := &site{path: path, above: above, base: base}
	if err = s.find(); err == nil && !s.exists {
		err = leadsNowhere(target, fs.ErrNotExist, nil)
	}
	if err != nil {
		s.close()
		return nil, err
	}
	return s, nil
}

// find looks at the target in its folder.
func (s *site) find() (err error) {
	if s.base == "" {
		return fmt.Errorf("%w: %s holds everything", ErrNotReplaceable, s.path)
	}
	s.home, s.watched = s.above, othersWrite(s.above)
	switch s.meta, err = s.above.stat(s.base); {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return err
	case s.meta.kind != fs.ModeDir:
		return fmt.Errorf("%w: %s is no folder", ErrNotReplaceable, s.path)
	}
	s.exists = true
	if s.live, err = s.above.child(s.base); err == nil {
		s.meta, err = s.live.stat(".")
	}
	if err != nil && !errors.Is(err, fs.ErrPermission) {
		return err
	}
	if err := s.findMounts(); err != nil || !s.mounted {
		return err
	}
	if s.live == nil {
		return err
	}
	s.home, s.watched = s.live, othersWrite(s.live)
	return nil
}

// close closes the folders.
func (s *site) close() {
	if s == nil {
		return
	}
	s.above.close()
	if s.live != nil {
		s.live.close()
	}
}

// id tells which folder the target was.
func (s *site) id() inode {
	if s.meta == nil {
		return inode{}
	}
	return inode{s.meta.dev, s.meta.ino}
}

// leadsNowhere gives an error for a target that is a link which leads nowhere, for a reason, and otherwise
// err.
func leadsNowhere(target string, reason, err error) error {
	if info, failed := os.Lstat(target); failed == nil && info.Mode()&fs.ModeSymlink != 0 && !errors.Is(err, ErrForeignLink) {
		return fmt.Errorf("%w: the link %s leads nowhere: %w", ErrNotReplaceable, target, reason)
	}
	return err
}

// findMounts says what is mounted on the folder. Anything mounted below it would move away with
// the old tree, and be emptied when that is removed.
func (s *site) findMounts() error {
	points, err := mounts()
	if err != nil {
		return fmt.Errorf("looking for mount points in %s: %w", s.path, err)
	}
	for _, point := range points {
		if point == s.path {
			s.mounted = true
		}
		if below, ok := strings.CutPrefix(point, s.path+string(filepath.Separator)); ok {
			return fmt.Errorf("%w: something is mounted in %s, on %s", ErrNotReplaceable, s.path, below)
		}
	}
	return nil
}

// entry gives the name of a folder of ours: beside the target, or hidden inside a mount point.
func (s *site) entry(kind, rest string) string {
	if s.mounted {
		return "." + kind + rest
	}
	return filepath.Base(s.path) + "." + kind + rest
}

// name gives the path of a folder of ours.
func (s *site) name(kind, rest string) string { return s.pathTo(s.entry(kind, rest)) }

// pathTo gives the path of a name in home.
func (s *site) pathTo(name string) string {
	if s.mounted {
		return filepath.Join(s.path, name)
	}
	return filepath.Join(filepath.Dir(s.path), name)
}

// freeStamp gives the dated part of names, distinct from those that are there.
func (s *site) freeStamp(now time.Time) string {
	date := now.UTC().Format("20060102t150405z")
	stamp := date
	for i := 2; s.taken(stamp); i++ {
		stamp = date + "-" + strconv.Itoa(i)
	}
	return stamp
}

func (s *site) taken(stamp string) bool {
	for _, kind := range []string{"before-", "out-", "in-", "rescued-"} {
		if there(s.home, s.entry(kind, stamp)) {
			return true
		}
	}
	return false
}
