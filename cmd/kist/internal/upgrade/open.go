package upgrade

import (
	"errors"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// Opened gives the records of upgrades that are not at their end: those at work, and those that were left. What
// can't be read is left out, since Recover names it.
func (u *Upgrader) Opened() ([]Record, error) {
	dir, err := u.Folder()
	if err != nil {
		return nil, nil // nor could a journal have been written
	}
	return openIn(dir)
}

func openIn(dir string) (open []Record, err error) {
	found, err := files.Matching(dir, journalNames)
	if err != nil {
		return nil, err
	}
	for _, path := range found {
		if info, err := os.Lstat(path); err == nil && !info.Mode().IsRegular() {
			continue // as in take
		}
		f, err := os.Open(path)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		j := &journal{file: f}
		err = j.read()
		f.Close()
		if err == nil && j.Step != Ended && path == journalPath(filepath.Dir(path), j.Old) {
			open = append(open, j.Record)
		}
	}
	return open, nil
}

// IsOf tells whether the upgrade is of a container, by its id.
func (r *Record) IsOf(id string) bool { return r.Up == "" && (id == r.Old || id != "" && id == r.New) }
