package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/spool"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store"
)

// spooled is a spool that is open: captures of this machine that wait to be sent, and the last one of each name that was.
type spooled struct {
	*repository
	place *spool.Spool
	room  *spool.Bounded // what it lies in
}

// spools gives where the spools of this machine are; false: this machine keeps nothing.
func (a *app) spools() (spool.Spools, bool) {
	dir, _ := places.State(a.getenv)
	return spool.Spools{Dir: filepath.Join(dir, "spool")}, dir != ""
}

// errNoSpool says that there is no spool to take a capture into.
var errNoSpool = errors.New("this machine has no spool of the repository: kist capture --spool makes one, when it reaches the repository")

// spoolBeside opens the spool of a repository that is open, and makes it first if that is asked for. It gives nil
// where there is none.
func (a *app) spoolBeside(ctx context.Context, r *repository, create bool) (*spooled, error) {
	all, ok := a.spools()
	if !ok {
		return nil, nil
	}
	place, err := all.Of(spoolName(r.Repository))
	if err != nil {
		return nil, err
	}
	room, use, err := openSpoolFolder(ctx, place, create)
	if errors.Is(err, fs.ErrNotExist) && !create {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	opened, err := r.OpenSpool(ctx, room, store.OpenOptions{State: place.State(), Warn: a.warnOfState})
	if err == nil && create {
		err = all.Note(r.at.Full(), spoolName(r.Repository))
	}
	if err != nil {
		use.Drop()
		room.Close()
		return nil, fmt.Errorf("the spool in %s: %w", screen.Line(place.Dir), err)
	}
	return &spooled{&repository{Repository: opened, at: where.Place{}.OfFolder(room.Folder), use: use}, place, room}, nil
}

// openSpoolFolder opens the folder of a spool, in which no other process then removes anything.
func openSpoolFolder(ctx context.Context, place *spool.Spool, create bool) (*spool.Bounded, *spool.Use, error) {
	folder, err := place.Open(create)
	if err != nil {
		return nil, nil, err
	}
	use, err := place.Use(ctx)
	if err != nil {
		folder.Close()
		return nil, nil, err
	}
	return &spool.Bounded{Folder: folder}, use, nil
}

// spoolName says whose a spool is: each place of a repository has its own.
func spoolName(r *store.Repository) string {
	if place := r.Place(); place != "" {
		return r.ID().String() + "-" + place
	}
	return r.ID().String()
}

// spoolsOfPlace gives the place that is asked for, and this machine's spools. It fails with errNoSpool where it has none.
func (a *app) spoolsOfPlace() (at where.Place, all spool.Spools, err error) {
	if at, err = a.repositoryPlace(); err != nil {
		return at, all, err
	}
	all, ok := a.spools()
	if !ok {
		return at, all, errNoSpool
	}
	return at, all, nil
}

// placeAlone gives the spool of the repository that was last found where one is asked for. It fails with errNoSpool.
func (a *app) placeAlone() (*spool.Spool, error) {
	at, all, err := a.spoolsOfPlace()
	if err != nil {
		return nil, err
	}
	id, err := all.At(at.Full())
	if errors.Is(err, fs.ErrNotExist) {
		id, err = a.spoolUnnoted(all, at)
	}
	if err != nil {
		return nil, err
	}
	return all.Of(id)
}

// spoolUnnoted gives whose spool is meant where it is not noted what was found at a place, as when the notes were lost: what is noted
// of the mount, or the only one in which captures wait.
func (a *app) spoolUnnoted(all spool.Spools, at where.Place) (id string, err error) {
	waiting, err := all.Waiting()
	if err != nil {
		return "", err
	}
	if noted := a.notedOfMount(at); slices.Contains(waiting, noted) {
		return noted, nil
	}
	switch len(waiting) {
	case 0:
		return "", errNoSpool
	case 1:
		return waiting[0], nil
	}
	return "", fmt.Errorf("captures wait in %d spools on this machine, and it is not known whose is that of %s: with the repository in reach kist resume sends them", len(waiting), screen.Line(at.String()))
}

// notedOfMount gives whose spool is meant by what is noted of the mount, or "".
func (a *app) notedOfMount(at where.Place) string {
	if notes, ok := a.mountNotes(); ok {
		if noted, err := notes.At(at.Full()); err == nil {
			return noted.Repository
		}
	}
	return ""
}

// spoolToFill is spoolAlone for what is captured: nothing goes into a spool of which it is only likely that it is the one, since the
// place may be mistyped, and that would be sent to another repository.
func (a *app) spoolToFill(ctx context.Context) (*spooled, error) {
	at, all, err := a.spoolsOfPlace()
	if err != nil {
		return nil, err
	}
	if _, err := all.At(at.Full()); errors.Is(err, fs.ErrNotExist) && a.notedOfMount(at) == "" {
		return nil, errNoSpool
	}
	return a.spoolAlone(ctx)
}

// spoolAlone opens the spool without the repository, by what opens that.
func (a *app) spoolAlone(ctx context.Context) (*spooled, error) {
	place, err := a.placeAlone()
	if err != nil {
		return nil, err
	}
	room, use, err := openSpoolFolder(ctx, place, false)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errNoSpool
	}
	if err != nil {
		return nil, err
	}
	found, err := findIn(ctx, where.Place{}.OfFolder(room.Folder), room)
	if err != nil {
		use.Drop()
		return nil, err
	}
	r, err := a.unlock(ctx, found, store.OpenOptions{State: place.State(), Warn: a.warnOfState}, a.openingSecret)
	if err != nil {
		use.Drop()
		return nil, a.nameSecret(room.Folder.Path(), err)
	}
	r.use = use
	return &spooled{r, place, room}, nil
}

// isAway tells whether an error of opening a repository says that its place can't be reached, or lets nobody in, rather than what is
// in it.
func isAway(err error) bool {
	return errors.Is(err, store.ErrNoRepository) || errors.Is(err, errNoAnswer) || where.IsAway(err) || where.IsRefused(err)
}
