package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// alsoError is an error, and what is to be known beside it, in lines of its own.
type alsoError struct {
	err  error
	text string
}

func (e *alsoError) Error() string { return e.err.Error() + "\n" + e.text }

func (e *alsoError) Unwrap() error { return e.err }

// alone gives an error without what is to be known beside it.
func alone(err error) error {
	if also, ok := err.(*alsoError); ok {
		return also.err
	}
	return err
}

// spoolPatience is how long what can answer from the spool waits for the repository, where nothing else is asked for. A disk
// that sleeps takes some ten seconds to turn (common practice, no source).
const spoolPatience = 15 * time.Second

// openOrSpool is open for what can answer from the spool: where there are captures in that, it does not wait for ever.
func (a *app) openOrSpool(ctx context.Context) (*repository, error) {
	wait := a.patience.most
	if place, err := a.placeAlone(); wait == 0 && err == nil && !place.IsEmpty() {
		wait = spoolPatience
	}
	r, err := a.openWithin(ctx, wait)
	if err != nil {
		return nil, a.withWaiting(err)
	}
	return r, nil
}

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
	return &alsoError{err, fmt.Sprintf("%s in the spool on this machine to be sent there: kist list, kist show and kist restore find %s meanwhile (%s)",
		screen.Count(len(ids), "capture waits", "captures wait"), themOrIt(len(ids)), screen.Line(place.Dir))}
}

func themOrIt(n int) string {
	if n == 1 {
		return "it"
	}
	return "them"
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
	r, err := a.openOrSpool(ctx)
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
	a.Warn("%s Only the captures in the spool on this machine are looked at", sentence(alone(why)))
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
	s, captures, _, failed := a.waiting(ctx, *r, nil)
	c, waits, err := a.findEither(ctx, *r, s, captures, selector)
	if waits {
		(*r).Close()
		*r = s.repository
		return c, nil
	}
	if s != nil {
		s.Close()
	}
	return c, errors.Join(err, failed)
}

// findEither finds a capture in the repository and among those that wait in its spool, which may be nil: the one that was taken last
// where both have one. It tells whether that one waits.
func (a *app) findEither(ctx context.Context, r *repository, s *spooled, waiting []*store.Capture, selector string) (c *store.Capture, waits bool, err error) {
	c, err = a.find(ctx, r, selector)
	if s == nil || err != nil && !errors.Is(err, store.ErrNotFound) {
		return c, false, err
	}
	w, failed := a.find(ctx, s.repository, selector)
	waits = failed == nil && slices.ContainsFunc(waiting, func(c *store.Capture) bool { return c.ID == w.ID })
	if !waits || c != nil && (c.ID == w.ID || !w.Taken.After(c.Taken)) {
		if err != nil && failed != nil && !errors.Is(failed, store.ErrNotFound) {
			err = failed
		}
		return c, false, err
	}
	a.Say("Capture %s waits on this machine to be sent.", w.ID)
	return w, true, nil
}

// markable is what marks are put of: captures of the repository, and those that wait to be sent there.
type markable struct {
	here, waiting []*store.Capture
	spool         *spooled // nil: none waits
}

// findMarkable finds captures that are to be marked. The spool is to be closed.
func (a *app) findMarkable(ctx context.Context, r *repository, selectors []string) (m *markable, err error) {
	m = &markable{}
	s, waiting, _, err := a.waiting(ctx, r, nil)
	if err != nil {
		return nil, err
	}
	if m.spool = s; s == nil {
		m.here, err = a.findAll(ctx, r, selectors)
		return m, err
	}
	for _, selector := range selectors {
		c, waits, err := a.findEither(ctx, r, s, waiting, selector)
		if err != nil {
			s.Close()
			return nil, err
		}
		of := &m.here
		if waits {
			of = &m.waiting
		}
		if !slices.ContainsFunc(*of, func(d *store.Capture) bool { return d.ID == c.ID }) {
			*of = append(*of, c)
		}
	}
	return m, nil
}

func (m *markable) close() {
	if m.spool != nil {
		m.spool.Close()
	}
}

// waitsUnder says of a selector that means nothing in the repository what waits on this machine to be sent there: the capture
// whose id it is, or how many of which it may be one.
func (a *app) waitsUnder(selector string) string {
	place, err := a.placeAlone()
	if err != nil {
		return ""
	}
	ids, _ := place.Waiting()
	mine := slices.DeleteFunc(slices.Clone(ids), func(id string) bool { return selector == "" || !strings.HasPrefix(id, selector) })
	switch {
	case len(mine) == 1:
		return fmt.Sprintf(": capture %s waits on this machine to be sent there. Run kist resume first", mine[0])
	case len(ids) > 0:
		return fmt.Sprintf("; %s on this machine to be sent there: if one of them is meant, run kist resume first", screen.Count(len(ids), "capture waits", "captures wait"))
	}
	return ""
}
