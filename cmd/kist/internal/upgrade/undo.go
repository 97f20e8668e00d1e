package upgrade

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// ErrNoUpgrade is returned for a service that no upgrade on this machine brought to where it is.
var ErrNoUpgrade = errors.New("no upgrade on this machine made it what it is: kist restore brings older data back")

// Made gives the record of the upgrade that made a container. It fails with ErrOpen where one of it is not at its
// end, and with ErrNoUpgrade where there was none.
func (u *Upgrader) Made(c *engine.Container) (*Record, error) {
	dir, err := u.Folder()
	if err != nil {
		return nil, err
	}
	if err := openOf(dir, isOfContainer(c)); err != nil {
		return nil, err
	}
	return made(dir, donePath(dir, c.ID), c.Name, c.ID)
}

// MadeNamed gives the record of the newest upgrade of a container of a name that is gone, and fails as Made does.
func (u *Upgrader) MadeNamed(e *engine.Engine, name string) (*Record, error) {
	dir, err := u.Folder()
	if err != nil {
		return nil, err
	}
	if err := openOf(dir, func(r *Record) bool { return r.Up == "" && r.Container == name }); err != nil {
		return nil, err
	}
	all, err := doneIn(dir)
	if err != nil {
		return nil, err
	}
	for _, r := range all { // the newest first
		if r.Up == "" && r.Container == name && r.Engine == e.Name() && !r.Undone {
			return &r, folderOf(dir).Check()
		}
	}
	return nil, fmt.Errorf("%s: %w", screen.Line(name), ErrNoUpgrade)
}

func made(dir, path, name, id string) (*Record, error) {
	j, err := take(path)
	if err == nil && (j == nil || j.Undone) {
		if j != nil {
			j.release()
		}
		return nil, fmt.Errorf("%s: %w", screen.Line(name), ErrNoUpgrade)
	}
	if err != nil {
		return nil, fmt.Errorf("record %s: %w", path, err)
	}
	defer j.release()
	if err := folderOf(dir).Check(); err != nil {
		return nil, err
	}
	if j.New != id {
		return nil, fmt.Errorf("record %s is not about the service of its name", path)
	}
	return &j.Record, nil
}

// Undo goes back from a container that an upgrade made to the one that it took the place of. What the volumes hold
// is kept beside them.
func (u *Upgrader) Undo(ctx context.Context, e *engine.Engine, c *engine.Container, done *Record, data Data) (*Outcome, error) {
	r := undoRecord(done, c.Name, time.Now())
	old, err := e.Inspect(ctx, r.Old)
	if errors.Is(err, engine.ErrNotFound) {
		return nil, fmt.Errorf("the old container %s is gone: there is nothing to go back to. kist show %s --launch tells how it was made, and kist restore has its data: %w", screen.Line(r.Before), r.Capture, err)
	}
	if err == nil && old.Running {
		err = fmt.Errorf("container %s, which was set aside, runs: stop it first. What both wrote can't be told apart", screen.Line(old.Name))
	}
	if err != nil {
		return nil, err
	}
	return u.undo(ctx, done, r, data, e)
}

func (u *Upgrader) undo(ctx context.Context, done *Record, r Record, data Data, e *engine.Engine) (*Outcome, error) {
	if err := data.Find(ctx, r.Capture); err != nil {
		return nil, fmt.Errorf("going back from %s to %s: %w\nNothing was stopped: %s runs %s as before", screen.Line(r.Image), screen.Line(r.OldImage), err, screen.Line(r.Container), screen.Line(r.Image))
	}
	dir, err := u.Folder()
	if err != nil {
		return nil, err
	}
	j, err := u.begin(dir, r)
	if err != nil {
		return nil, err
	}
	defer j.release()
	defer endsNot()()
	w := u.work(dir, j, e)
	w.data = data
	o, err := w.goBack(context.WithoutCancel(ctx), 0)
	if err != nil && w.Step == Looking { // nothing was stopped, and nobody need go on
		o = w.outcome(Unchanged)
		o.Runs, o.Why = w.Image, w.Stuck
		err = fmt.Errorf("%s\nNothing was stopped: %s runs as before", w.Stuck, screen.Line(w.Image))
		return o, errors.Join(err, w.end())
	}
	return o, err
}

func undoRecord(done *Record, name string, now time.Time) Record {
	r := *done
	r.Step, r.Undoing, r.Touched, r.Why = Looking, true, true, "it is asked for"
	r.Key, r.Done, r.Ran, r.Spent, r.Lost, r.Gone = "", done.New, true, nil, "", false
	r.Log, r.Kept, r.Exchanges, r.Stuck, r.Token, r.Session = nil, nil, nil, "", "", 0
	r.Began, r.Container = now.UTC().Truncate(time.Second), name
	r.Failed, r.Again = name+"-undone-"+stamp(now), name+"-again-"+stamp(now)
	return r
}
