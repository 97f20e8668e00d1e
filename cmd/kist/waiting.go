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
// there are none. The spool is to be closed.
func (a *app) waiting(ctx context.Context, r *repository, there []*store.Capture) (*spooled, []*store.Capture, error) {
	all, ok := a.spools()
	if !ok {
		return nil, nil, nil
	}
	place, err := all.Of(spoolName(r.Repository))
	if err != nil {
		return nil, nil, err
	}
	if ids, err := place.Waiting(); err != nil || len(ids) == 0 {
		return nil, nil, err
	}
	s, err := a.spoolBeside(ctx, r, false)
	if err != nil || s == nil {
		return nil, nil, err
	}
	captures, err := s.waitingCaptures(ctx)
	captures = slices.DeleteFunc(captures, func(c *store.Capture) bool {
		return slices.ContainsFunc(there, func(t *store.Capture) bool { return t.ID == c.ID })
	})
	if err != nil || len(captures) == 0 {
		s.Close()
		return nil, nil, err
	}
	return s, captures, nil
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
	a.Warn("%s. Only the captures in the spool on this machine are looked at", screen.Text(alone(why).Error()))
	c, err := a.find(ctx, s.repository, selector)
	if err != nil {
		s.Close()
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
	s, captures, failed := a.waiting(ctx, *r, there)
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
