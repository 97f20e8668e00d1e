package main

import (
	"context"
	"errors"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store/storage/files"
)

// openPlace opens a place, and the repository in it by unlock, which closes the place where it fails. One
// that is silent for the time wait meanwhile ends that with errNoAnswer; 0: no sooner than it ends the run.
func (a *app) openPlace(ctx context.Context, place where.Place, wait time.Duration, unlock func(context.Context, *where.Opened) (*repository, error)) (*repository, error) {
	opening, most, lost := ctx, a.patience.most, a.patience.lost
	if wait > 0 {
		opening, lost = context.WithCancelCause(ctx)
		defer lost(nil)
		if most == 0 || wait < most {
			most = wait
		}
	}
	if place.InBucket() {
		a.warnOfKeys()
	}
	w := a.waitFor(place, most, lost)
	at, err := leaveBehind(opening, func() (*where.Opened, error) { return openAnchored(opening, place, a.opens(w)) })
	var r *repository
	if err == nil {
		r, err = unlock(opening, at)
	}
	if err != nil {
		w.stop()
		if silent := (*silentError)(nil); errors.As(context.Cause(opening), &silent) {
			return nil, silent
		}
		return nil, a.withMount(place, err)
	}
	w.allow(a.patience.most, a.patience.lost)
	r.waited = w
	if err := a.knownMount(r); err != nil {
		r.Close()
		return nil, err
	}
	return r, nil
}

// leaveBehind gives what a call gives that opens a place. What waits for a share in the operating system can't be ended: it
// is left behind some time after the context ended. So what is made where something answers can be taken away again.
func leaveBehind(ctx context.Context, call func() (*where.Opened, error)) (*where.Opened, error) {
	type outcome struct {
		at  *where.Opened
		err error
	}
	done := make(chan outcome, 1)
	go func() {
		at, err := call()
		done <- outcome{at, err}
	}()
	select {
	case o := <-done:
		return o.at, o.err
	case <-ctx.Done():
	}
	if silent := (*silentError)(nil); !errors.As(context.Cause(ctx), &silent) { // else that was enough
		timer := time.NewTimer(leaveTime)
		defer timer.Stop()
		select {
		case o := <-done:
			return o.at, o.err
		case <-timer.C:
		}
	}
	go func() {
		if o := <-done; o.err == nil {
			o.at.Close()
		}
	}()
	return nil, context.Cause(ctx)
}

// systemPlace is where a path leads on this machine.
func systemPlace(path string) files.Place { return files.OS(path) }

// leaveTime is how long tidying up in a place may take before it is left behind.
const leaveTime = 3 * time.Second

// letGo closes a place. Nothing is lost where that is left behind.
func letGo(at *where.Opened) (err error) {
	done := make(chan error, 1)
	go func() { done <- at.Close() }()
	timer := time.NewTimer(leaveTime)
	defer timer.Stop()
	select {
	case err = <-done:
	case <-timer.C:
	}
	return err
}

// withSilence gives the error of what ended with a context, and in its place that the folder was silent, where that ended it.
func withSilence(ctx context.Context, err error) error {
	var silent *silentError
	if err == nil || !errors.As(context.Cause(ctx), &silent) || errors.As(err, new(*silentError)) {
		return err
	}
	return errors.Join(err, silent)
}
