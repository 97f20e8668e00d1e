package spool

import (
	"fmt"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// check fails where somebody else may exchange what lies in a spool: by the folder of all of them, or that above it. Nothing there fails
// nothing.
func (s Spools) check() error {
	if err := files.CheckShared(filepath.Dir(s.Dir)); err != nil {
		return refused(err)
	}
	return checkPrivate(s.Dir, filepath.Join(s.Dir, places))
}

// check is Spools.check, and looks at the folders of this one, too.
func (s *Spool) check() error {
	if err := (Spools{filepath.Dir(s.Dir)}).check(); err != nil {
		return err
	}
	in := func(name string) string { return filepath.Join(s.Dir, name) }
	return checkPrivate(s.Dir, in(captures), in(state), in(sent), in(tries), filepath.Join(in(captures), "captures"))
}

func checkPrivate(folders ...string) error {
	for _, folder := range folders {
		if err := files.CheckPrivate(folder); err != nil {
			return refused(err)
		}
	}
	return nil
}

func refused(err error) error {
	return fmt.Errorf("the spool on this machine is not used, for somebody else could exchange it: %w", err)
}
