package spool

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// ErrOthers is returned for a spool that somebody else could exchange: nothing is taken into it, or sent from it. Compare with errors.Is.
var ErrOthers = errors.New("the spool on this machine is not used, for somebody else could exchange it")

// check fails with ErrOthers where somebody else may exchange the folder of all spools, or make it if it is to be made: by its own owner and mode,
// and by those of the folder above it. Where there is none it does not.
func (s Spools) check(toMake bool) error {
	if _, err := os.Lstat(s.Dir); errors.Is(err, fs.ErrNotExist) && !toMake {
		return nil
	}
	if err := files.CheckShared(filepath.Dir(s.Dir)); err != nil {
		return fmt.Errorf("%w: %w", ErrOthers, err)
	}
	return checkPrivate(s.Dir, filepath.Join(s.Dir, places))
}

// check is Spools.check, and looks at the folders of this one, too.
func (s *Spool) check(toMake bool) error {
	if err := (Spools{filepath.Dir(s.Dir)}).check(toMake); err != nil {
		return err
	}
	in := func(name string) string { return filepath.Join(s.Dir, name) }
	return checkPrivate(s.Dir, in(captures), in(state), in(sent), in(tries), filepath.Join(in(captures), "captures"))
}

func checkPrivate(folders ...string) error {
	for _, folder := range folders {
		if err := files.CheckPrivate(folder); err != nil {
			return fmt.Errorf("%w: %w", ErrOthers, err)
		}
	}
	return nil
}
