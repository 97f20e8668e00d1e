package stopped

import (
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
)

// Noted is something that is kept still, as a note says.
type Noted struct {
	Container string // "": something that a command is to let go
	Since     time.Time
	Restoring bool // it was stopped for a restore into it
	AtWork    bool // a run is there that starts it again; else one was killed
}

// Noted gives what is kept still on this machine, and touches none of it. Notes that can't be read are
// told by the error.
func (k *Keeper) Noted() (all []Noted, err error) {
	dir, err := k.Folder()
	if err != nil {
		return nil, nil // nor could a note have been written
	}
	var errs []error
	for _, pattern := range noteNames() {
		found, err := files.Matching(dir, pattern)
		errs = append(errs, err)
		for _, path := range found {
			one, err := look(path)
			if err != nil {
				errs = append(errs, fmt.Errorf("note %s: %w", path, err))
			} else if one != nil {
				all = append(all, *one)
			}
		}
	}
	return all, errors.Join(errs...)
}

// look reads a note, or gives nil where it is gone by now.
func look(path string) (*Noted, error) {
	n, err := takeNote(path)
	if err != nil {
		return nil, err
	}
	atWork := n == nil
	if !atWork {
		defer n.release()
	} else if n, err = readNote(path); errors.Is(err, fs.ErrNotExist) { // another has it, or it is gone
		return nil, nil
	} else if err != nil {
		return nil, err
	}
	return &Noted{Container: n.Container, Since: n.Stopped, Restoring: n.Restoring, AtWork: atWork}, nil
}
