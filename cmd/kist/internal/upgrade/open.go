package upgrade

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/notes"
)

// Open is an upgrade that is not at its end.
type Open struct {
	Record
	path string
}

// AtWork tells whether a run is at work on it, as of now; else one was killed, and could not be brought to its end.
func (o *Open) AtWork() bool { return notes.AtWork(o.path) }

// Binds tells whether what it is about must stay as it is. Once the old version was watched it need not.
func (o *Open) Binds() bool { return o.Step != Ended }

// UnreadError says that there are journals that can't be read, beside those that can.
type UnreadError struct{ errs []error }

func (e *UnreadError) Error() string { return errors.Join(e.errs...).Error() }

func (e *UnreadError) Unwrap() []error { return e.errs }

// Opened gives the upgrades of this machine that are not at their ends, and touches none. It gives those that can be read
// with an UnreadError, too.
func (u *Upgrader) Opened() ([]Open, error) {
	dir, err := u.Folder()
	if err != nil {
		return nil, nil // nor could a journal have been written
	}
	return openIn(dir)
}

func openIn(dir string) (open []Open, err error) {
	found, err := files.Matching(dir, journalNames)
	if err != nil {
		return nil, err
	}
	var unread []error
	for _, path := range found {
		o := Open{path: path}
		text, err := notes.Read(path, maxJournal)
		if errors.Is(err, fs.ErrNotExist) {
			continue // it came to its end
		}
		if err == nil {
			o.Record, err = lastLine(text)
		}
		if err == nil && filepath.Base(path) != journalName(o.key()) {
			err = errors.New("it is not about the service of its name")
		}
		if err != nil {
			unread = append(unread, fmt.Errorf("journal %s: %w", path, err))
			continue
		}
		open = append(open, o)
	}
	if len(unread) > 0 {
		err = &UnreadError{unread}
	}
	return open, err
}

// binding gives those that bind what they are about. What can't be read is left out, since Recover names it.
func binding(dir string) (all []Record, err error) {
	open, err := openIn(dir)
	if _, ok := errors.AsType[*UnreadError](err); err != nil && !ok {
		return nil, err
	}
	for _, o := range open {
		if o.Binds() {
			all = append(all, o.Record)
		}
	}
	return all, nil
}

// IsOf tells whether the upgrade is of a container, by its id.
func (r *Record) IsOf(id string) bool { return r.Up == "" && (id == r.Old || id != "" && id == r.New) }
