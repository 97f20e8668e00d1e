package main

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// withWaiting adds to the error of a repository that is away what waits on this machine to be sent there.
func (a *app) withWaiting(err error) error {
	if !isAway(err) {
		return err
	}
	place, failed := a.placeAlone()
	if failed != nil {
		return err
	}
	ids, _ := place.Waiting()
	if len(ids) == 0 {
		return err
	}
	return fmt.Errorf("%w\n%s in the spool on this machine to be sent there", err, screen.Count(len(ids), "capture waits", "captures wait"))
}

// waiting gives the spool of a repository and the captures in it that were not sent and are not there; nil where
// there are none. The spool is to be closed. unread are the ids of what waits and can't be read.
func (a *app) waiting(ctx context.Context, r *repository, there []*store.Capture) (s *spooled, captures []*store.Capture, unread []string, err error) {
	all, ok := a.spools()
	if !ok {
		return nil, nil, nil, nil
	}
	place, err := all.Of(spoolName(r.Repository))
	if err != nil {
		return nil, nil, nil, err
	}
	if ids, err := place.Waiting(); err != nil || len(ids) == 0 {
		return nil, nil, nil, err
	}
	s, err = a.spoolBeside(ctx, r, false)
	if err != nil || s == nil {
		return nil, nil, nil, err
	}
	captures, unread, err = s.waitingCaptures(ctx)
	captures = slices.DeleteFunc(captures, func(c *store.Capture) bool {
		return slices.ContainsFunc(there, func(t *store.Capture) bool { return t.ID == c.ID })
	})
	unread = slices.DeleteFunc(unread, func(id string) bool {
		return slices.ContainsFunc(there, func(t *store.Capture) bool { return t.ID == id })
	})
	if err != nil || len(captures) == 0 {
		s.Close()
		return nil, nil, unread, err
	}
	return s, captures, unread, nil
}

// unreadText says that a capture waits that can't be read.
func unreadText(id string) string {
	return fmt.Sprintf("capture %s waits on this machine to be sent, and can't be read: its index file in the spool is damaged (kist resume --drop gives it up)", id)
}

// openOf opens what holds the capture that a selector means: the repository, or the spool where the capture waits there, or where
// the repository is away.
func (a *app) openOf(ctx context.Context, selector string) (*repository, *store.Capture, error) {
	r, err := a.open(ctx)
	if err != nil {
		return a.openAlone(ctx, selector, err)
	}
	c, err := a.findBoth(ctx, &r, selector)
	if err != nil {
		r.Close()
		return nil, nil, err
	}
	return r, c, nil
}

// openAlone is openOf where the repository could not be opened.
func (a *app) openAlone(ctx context.Context, selector string, why error) (*repository, *store.Capture, error) {
	if !isAway(why) {
		return nil, nil, why
	}
	s, err := a.spoolAlone(ctx)
	if errors.Is(err, errNoSpool) {
		return nil, nil, why
	}
	if err != nil {
		return nil, nil, errors.Join(why, err)
	}
	a.Warn("%s. Only the captures in the spool on this machine are looked at", screen.Text(why.Error()))
	c, err := a.find(ctx, s.repository, selector)
	if err != nil {
		s.Close()
		if errors.Is(err, store.ErrDamaged) {
			err = &advised{err, "That is in the spool on this machine: kist resume --drop, with the repository in reach, gives up what can't be read there."}
		}
		return nil, nil, err
	}
	return s.repository, c, nil
}

// findBoth finds a capture in the repository and among those that wait to be sent there, the one that was taken last
// where both have one; then r is the spool.
func (a *app) findBoth(ctx context.Context, r **repository, selector string) (*store.Capture, error) {
	c, err := a.find(ctx, *r, selector)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return nil, err
	}
	var there []*store.Capture
	if c != nil {
		there = append(there, c)
	}
	s, captures, _, failed := a.waiting(ctx, *r, there)
	if failed != nil || s == nil {
		return c, errors.Join(err, failed)
	}
	w, failed := a.find(ctx, s.repository, selector)
	waits := failed == nil && slices.ContainsFunc(captures, func(c *store.Capture) bool { return c.ID == w.ID })
	if !waits || c != nil && !w.Taken.After(c.Taken) {
		s.Close()
		if err != nil && failed != nil && !errors.Is(failed, store.ErrNotFound) {
			err = failed
		}
		return c, err
	}
	a.Say("Capture %s waits on this machine to be sent.", w.ID)
	(*r).Close()
	*r = s.repository
	return w, nil
}
