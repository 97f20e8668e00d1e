package upgrade

import (
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// Pending is an upgrade that is not at its end.
type Pending struct {
	Service string
	Began   time.Time
	Step    Step
	AtWork  bool // by a run that is there; else one was killed, and could not be brought to its end
}

// Pending gives the upgrades of this machine that are not at their ends, and touches none. Journals that can't be
// read are told by the error.
func (u *Upgrader) Pending() (all []Pending, err error) {
	dir, err := u.Folder()
	if err != nil {
		return nil, nil // nor could a journal have been written
	}
	found, err := files.Matching(dir, journalNames)
	errs := []error{err}
	for _, path := range found {
		one, err := look(path)
		if err != nil {
			errs = append(errs, fmt.Errorf("journal %s: %w", path, err))
		} else if one != nil {
			all = append(all, *one)
		}
	}
	return all, errors.Join(errs...)
}

// look reads a journal, or gives nil where it is gone by now.
func look(path string) (*Pending, error) {
	ours, err := files.OpenLocked(path, os.O_RDONLY)
	if err != nil {
		return nil, err
	}
	j := &journal{file: ours}
	if ours == nil { // another has it, or it is gone
		if j.file, err = os.Open(path); errors.Is(err, os.ErrNotExist) {
			return nil, nil
		} else if err != nil {
			return nil, err
		}
	}
	defer j.file.Close()
	if err := j.read(); err != nil {
		return nil, err
	}
	return &Pending{Service: j.Container, Began: j.Began, Step: j.Step, AtWork: ours == nil}, nil
}
