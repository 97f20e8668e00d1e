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

// site is what the target of Replace was found to be.
type site struct {
	path    string // absolute, without links
	exists  bool
	mounted bool // something is mounted on it
}

// findSite looks at target.
func findSite(target string) (*site, error) {
	path, err := resolve(target)
	if err != nil {
		return nil, err
	}
	s := &site{path: path}
	switch info, err := os.Lstat(path); {
	case errors.Is(err, fs.ErrNotExist):
		return s, nil
	case err != nil:
		return nil, err
	case !info.IsDir():
		return nil, fmt.Errorf("%w: %s is no folder", ErrNotReplaceable, path)
	}
	s.exists = true
	return s, s.findMounts()
}

// resolve gives target without links. Only the last part may be missing.
func resolve(target string) (string, error) {
	path, err := filepath.Abs(target)
	if err != nil {
		return "", err
	}
	if info, err := os.Lstat(path); err == nil && info.Mode()&fs.ModeSymlink != 0 {
		if path, err = filepath.EvalSymlinks(path); err != nil {
			return "", fmt.Errorf("%w: the link %s leads nowhere: %w", ErrNotReplaceable, target, err)
		}
	}
	dir, err := filepath.EvalSymlinks(filepath.Dir(path))
	if err != nil {
		return "", err
	}
	if filepath.Dir(path) == path {
		return "", fmt.Errorf("%w: %s holds everything", ErrNotReplaceable, path)
	}
	return filepath.Join(dir, filepath.Base(path)), nil
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

// name makes the path of a folder of ours: beside the target, or hidden inside a mount point.
func (s *site) name(kind, rest string) string {
	if s.mounted {
		return filepath.Join(s.path, "."+kind+rest)
	}
	return s.path + "." + kind + rest
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
	for _, kind := range []string{"before-", "out-", "in-"} {
		if _, err := os.Lstat(s.name(kind, stamp)); err == nil {
			return true
		}
	}
	return false
}
