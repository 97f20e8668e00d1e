package spool

import (
	"errors"
	"io"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// earlierFile is where it is kept that a repository was at a path before another one was noted.
func (s Spools) earlierFile(path, repository string) string {
	return strings.TrimSuffix(s.placeFile(path), ".json") + "-" + repository + ".json"
}

// keepEarlier keeps in mind what was found at a path before another repository is.
func (s Spools) keepEarlier(path string) error {
	was, err := s.At(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return files.Write(s.earlierFile(path, was), true, func(w io.Writer) error {
		return files.EncodeExact(w, place{path, was})
	})
}

// Others gives the spools with captures that wait to be sent to other repositories than one, which were found at a path before.
func (s Spools) Others(path, repository string) (others []*Spool, err error) {
	var were []string
	if was, err := s.At(path); err == nil {
		were = append(were, was)
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	first := s.earlierFile(path, "")
	first = strings.TrimSuffix(first, ".json")
	earlier, err := filepath.Glob(first + "*.json")
	if err != nil {
		return nil, err
	}
	for _, name := range earlier {
		were = append(were, strings.TrimSuffix(strings.TrimPrefix(name, first), ".json"))
	}
	slices.Sort(were)
	for _, was := range slices.Compact(were) {
		if was == repository || !isID(was) {
			continue
		}
		other := &Spool{Dir: filepath.Join(s.Dir, was)}
		if ids, err := other.Waiting(); err != nil {
			return nil, err
		} else if len(ids) > 0 {
			others = append(others, other)
		}
	}
	return others, nil
}

// AnyWaiting tells whether a capture waits in any spool.
func (s Spools) AnyWaiting() bool {
	all, _ := filepath.Glob(filepath.Join(s.Dir, "*", captures))
	return slices.ContainsFunc(all, func(dir string) bool {
		ids, _ := (&Spool{Dir: filepath.Dir(dir)}).Waiting()
		return len(ids) > 0
	})
}
