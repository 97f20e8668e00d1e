package main

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/mounts"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store"
)

// notMountedError says that the folder of a repository does not lie on what it should.
type notMountedError struct {
	path     string
	should   mounts.Mount // be mounted
	planned  bool         // by the system's table of mounts, rather than by what was seen
	is       mounts.Mount // what the folder lies on instead
	stranger bool         // another repository is there
}

func (e *notMountedError) Error() string {
	what := fmt.Sprintf("nothing is mounted at %s", screen.Line(e.should.Point))
	if e.is.Point == e.should.Point {
		what = fmt.Sprintf("%s is mounted at %s", mountText(e.is), screen.Line(e.should.Point))
	}
	why := "was when the repository was seen last"
	if e.planned {
		why = "should be by /etc/fstab"
	}
	text := fmt.Sprintf("%s: %s, where %s %s", screen.Line(e.path), what, mountText(e.should), why)
	if e.stranger {
		text += ", and another repository lies there"
	}
	return text
}

// Is has it count as that no repository is there.
func (e *notMountedError) Is(target error) bool { return target == store.ErrNoRepository }

func mountText(m mounts.Mount) string {
	return fmt.Sprintf("%s (%s)", screen.Line(m.Source), screen.Line(m.Type))
}

// mountNotes gives where it is kept what repositories were mounted from; false: this machine keeps nothing.
func (a *app) mountNotes() (mounts.Notes, bool) {
	dir, _ := places.State(a.getenv)
	return mounts.Notes{Dir: filepath.Join(dir, "mounted")}, dir != ""
}

// checkMounted tells whether the folder of a repository lies on something else than when that was seen last, or, if planned is
// asked for, than the system's table of mounts says. No share need answer for that.
func (a *app) checkMounted(place where.Place, planned bool) *notMountedError {
	if place.InBucket() {
		return nil
	}
	path := place.Path()
	t, err := mounts.Read()
	if err != nil || len(t) == 0 {
		return nil
	}
	real := t.Resolve(path)
	is := t.Of(real)
	if notes, ok := a.mountNotes(); ok {
		if noted, err := notes.At(paths.Absolute(path)); err == nil && noted.Mount.Point != "/" && noted.Mount != is {
			return &notMountedError{path: path, should: noted.Mount, is: is}
		}
	}
	if !planned {
		return nil
	}
	all, err := mounts.ReadPlanned()
	if err != nil {
		return nil
	}
	if should, lacks := t.Lacks(all, real); lacks {
		return &notMountedError{path: path, should: should, planned: true, is: is}
	}
	return nil
}

// knownMount looks whether a repository that was opened is the one that is known by its path, where what it lay on is gone, and
// notes what it lies on now.
func (a *app) knownMount(r *repository) error {
	notes, ok := a.mountNotes()
	if !ok || r.at.InBucket() {
		return nil
	}
	lost := a.checkMounted(r.at.Place, false)
	if lost != nil && !a.shared.acceptNewRoot {
		if noted, err := notes.At(r.at.Full()); err == nil && noted.Repository != spoolName(r.Repository) {
			lost.stranger = true
			return &advised{lost, "Mount it, and run this again. --accept-new-root takes the one that is there."}
		}
	}
	a.noteMount(r)
	return nil
}

// noteMount notes what a repository lies on.
func (a *app) noteMount(r *repository) {
	notes, ok := a.mountNotes()
	is := r.at.Mount()
	if !ok || is.Point == "" {
		return
	}
	path := r.at.Full()
	if err := notes.Note(mounts.Noted{Path: path, Repository: spoolName(r.Repository), Mount: is}); err != nil {
		a.Warn("what %s lies on was not noted, and if it is not mounted one day, that does not show: %s", screen.Printable(path), screen.Text(err.Error()))
	}
}

// withMount says of a repository that is not found, or not opened by what should open it, that something else is mounted there.
func (a *app) withMount(place where.Place, err error) error {
	if !errors.Is(err, store.ErrNoRepository) && !errors.Is(err, store.ErrWrongSecret) {
		return err
	}
	lost := a.checkMounted(place, errors.Is(err, store.ErrNoRepository))
	switch {
	case lost == nil:
		return err
	case errors.Is(err, store.ErrWrongSecret):
		return &advised{err, lost.Error() + "."}
	}
	return &advised{lost, "Mount it, and run this again."}
}
