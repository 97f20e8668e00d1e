package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"syscall"

	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/spool"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// spooled is a spool that is open: captures of this machine that wait to be sent, and the last one of each name that was.
type spooled struct {
	*repository
	place *spool.Spool
}

// spools gives where the spools of this machine are; false: this machine keeps nothing.
func (a *app) spools() (spool.Spools, bool) {
	dir, _ := places.State(a.getenv)
	return spool.Spools{Dir: filepath.Join(dir, "spool")}, dir != ""
}

// errNoSpool says that there is no spool to take a capture into.
var errNoSpool = errors.New("this machine has no spool of the repository: the first kist capture that reaches the repository makes one, with --spool")

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
	folder, err := place.Open(create)
	if errors.Is(err, fs.ErrNotExist) && !create {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	opened, err := r.OpenSpool(ctx, folder, store.OpenOptions{State: place.State(), Warn: a.warnOfState})
	if err == nil && create {
		err = all.Note(paths.Absolute(r.folder.Path()), spoolName(r.Repository))
	}
	if err != nil {
		folder.Close()
		return nil, fmt.Errorf("the spool in %s: %w", screen.Line(place.Dir), err)
	}
	return &spooled{&repository{Repository: opened, folder: folder}, place}, nil
}

// spoolName says whose a spool is: each place of a repository has its own.
func spoolName(r *store.Repository) string {
	if place := r.Place(); place != "" {
		return r.ID().String() + "-" + place
	}
	return r.ID().String()
}

// placeAlone gives the spool of the repository that was last found where one is asked for. It fails with errNoSpool.
func (a *app) placeAlone() (*spool.Spool, error) {
	path, err := a.repositoryPath()
	if err != nil {
		return nil, err
	}
	all, ok := a.spools()
	if !ok {
		return nil, errNoSpool
	}
	id, err := all.At(paths.Absolute(path))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errNoSpool
	}
	if err != nil {
		return nil, err
	}
	return all.Of(id)
}

// spoolAlone opens the spool without the repository, by what opens that.
func (a *app) spoolAlone(ctx context.Context) (*spooled, error) {
	place, err := a.placeAlone()
	if err != nil {
		return nil, err
	}
	folder, err := place.Open(false)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, errNoSpool
	}
	if err != nil {
		return nil, err
	}
	r, err := a.openIn(ctx, folder, store.OpenOptions{State: place.State(), Warn: a.warnOfState})
	if err != nil {
		return nil, err
	}
	return &spooled{r, place}, nil
}

// isAway tells whether an error of opening a repository says that its folder can't be reached, rather than what is in it.
func isAway(err error) bool {
	return slices.ContainsFunc([]error{
		store.ErrNoRepository, storage.ErrGone, errNoAnswer, syscall.ESTALE, syscall.EHOSTDOWN, syscall.EHOSTUNREACH,
		syscall.ETIMEDOUT, syscall.ENOTCONN, syscall.EIO,
	}, func(away error) bool { return errors.Is(err, away) })
}

// waitingCaptures gives the captures that were not sent, oldest first.
func (s *spooled) waitingCaptures(ctx context.Context) ([]*store.Capture, error) {
	all, err := s.Captures(ctx)
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(all, func(c *store.Capture) bool { return s.place.IsSent(c.ID) }), nil
}

// send sends a capture. From its mark on it is not sent again; a run that is killed before sends it again, and finds it there.
func (a *app) send(ctx context.Context, s *spooled, r *repository, c *store.Capture) (*store.Capture, error) {
	tried, err := s.place.Try(c.ID)
	if err != nil {
		return nil, err
	}
	shown, end := a.progress("sending " + c.ID)
	defer end()
	sent, err := s.Send(ctx, c, r.Repository, store.SendOptions{Tried: tried, Progress: shown})
	if err == nil {
		_, err = carryHolds(ctx, s, r, c.ID)
	}
	if err == nil {
		err = s.place.MarkSent(c.ID)
	}
	if err == nil { // what was held meanwhile: see holdSent
		sent.Held, err = carryHolds(ctx, s, r, c.ID)
	}
	if err != nil {
		return nil, err
	}
	return sent, nil
}

// sendLeft sends what earlier captures left waiting, and says so.
func (a *app) sendLeft(ctx context.Context, r *repository) (ids []string, err error) {
	all, ok := a.spools()
	if !ok {
		return nil, nil
	}
	place, err := all.Of(spoolName(r.Repository))
	if err != nil {
		return nil, err
	}
	if waiting, err := place.Waiting(); err != nil || len(waiting) == 0 {
		return nil, err
	}
	s, err := a.spoolBeside(ctx, r, false)
	if err != nil || s == nil {
		return nil, err
	}
	defer s.Close()
	return a.sendWaiting(ctx, s, r)
}

// sendWaiting is sendLeft for a spool that is open.
func (a *app) sendWaiting(ctx context.Context, s *spooled, r *repository) (ids []string, err error) {
	waiting, err := s.waitingCaptures(ctx)
	if err != nil {
		return nil, err
	}
	for _, c := range waiting {
		sent, err := a.send(ctx, s, r, c)
		if err != nil {
			return ids, fmt.Errorf("capture %s waits on this machine, and was not sent: %w", c.ID, err)
		}
		a.Say("Sent capture %s, which had waited on this machine; the repository grew by %s.", c.ID, screen.Size(sent.Added))
		ids = append(ids, c.ID)
	}
	if len(ids) > 0 {
		a.tidySpool(ctx, s)
	}
	return ids, nil
}

// tidySpool frees what the spool need not keep: of each name and host the latest capture stays, so that the next one
// reads what changed, and it can be restored while the repository is away.
func (a *app) tidySpool(ctx context.Context, s *spooled) {
	if err := s.tidy(ctx); err != nil && ctx.Err() == nil && !errors.Is(err, store.ErrBusy) {
		a.Warn("the spool in %s was not tidied, and the next kist capture tries again: %s", screen.Printable(s.place.Dir), screen.Text(err.Error()))
	}
}

func (s *spooled) tidy(ctx context.Context) error {
	all, err := s.Captures(ctx)
	if err != nil {
		return err
	}
	var old, held []string
	for i, c := range all {
		newer := slices.ContainsFunc(all[i+1:], func(d *store.Capture) bool { return d.Name == c.Name && d.Host == c.Host })
		if !newer || !s.place.IsSent(c.ID) {
			continue
		}
		old = append(old, c.ID)
		if c.Held {
			held = append(held, c.ID)
		}
	}
	if len(old) == 0 {
		return nil
	}
	if len(held) > 0 {
		err = s.Release(ctx, held)
	}
	if err == nil {
		err = s.Retire(ctx, old, markOptions("sent"))
	}
	if err == nil {
		// No other machine is at work in a spool, so nothing need be waited for.
		_, err = s.Reclaim(ctx, store.ReclaimOptions{Grace: store.NoGrace, Host: hostName()})
	}
	if err != nil {
		return err
	}
	there, err := s.AllCaptures(ctx)
	if err != nil {
		return err
	}
	return s.place.Forget(func(id string) bool {
		return slices.ContainsFunc(there, func(c *store.Capture) bool { return c.ID == id })
	})
}
