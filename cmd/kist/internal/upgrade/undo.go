package upgrade

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// ErrNoUpgrade is returned for a container that no upgrade on this machine made.
var ErrNoUpgrade = errors.New("no upgrade on this machine made it: kist restore CAPTURE --container brings older data back")

// Made gives the record of the upgrade that made a container. It fails with ErrNoUpgrade.
func (u *Upgrader) Made(c *engine.Container) (*Record, error) {
	dir, err := u.Folder()
	if err != nil {
		return nil, err
	}
	path := donePath(dir, c.ID)
	j, err := take(path)
	if err == nil && j == nil {
		return nil, fmt.Errorf("container %s: %w", c.Name, ErrNoUpgrade)
	}
	if err != nil {
		return nil, fmt.Errorf("record %s: %w", path, err)
	}
	defer j.release()
	if err := checkPrivate(dir); err != nil {
		return nil, err
	}
	if j.New != c.ID {
		return nil, fmt.Errorf("record %s is not about the container of its name", path)
	}
	return &j.Record, nil
}

// Undo goes back from a container that an upgrade made to the one that it took the place of. What the volumes hold
// is kept beside them.
func (u *Upgrader) Undo(ctx context.Context, e *engine.Engine, c *engine.Container, done *Record, data Data) (*Outcome, error) {
	r := undoRecord(done, c.Name, time.Now())
	old, err := e.Inspect(ctx, r.Old)
	if errors.Is(err, engine.ErrNotFound) {
		err = fmt.Errorf("the old container %s is gone: there is nothing to go back to. kist show %s --launch tells how it was made, and kist restore has its data: %w", r.Before, r.Capture, err)
	}
	if err == nil && old.Running {
		err = fmt.Errorf("container %s, which was set aside, runs: stop it first. What both wrote can't be told apart", old.Name)
	}
	if err == nil {
		err = data.Ready(ctx, r.Capture)
	}
	if err != nil {
		return nil, err
	}
	dir, err := u.Folder()
	if err != nil {
		return nil, err
	}
	j, err := begin(dir, r)
	if err != nil {
		return nil, err
	}
	defer j.release()
	defer endsNot()()
	u.Screen.Say("What container %s wrote since %s is set aside.", screen.Printable(c.Name), screen.LocalTime(done.Began))
	w := u.work(dir, j, e)
	w.data = data
	return w.goBack(context.WithoutCancel(ctx), 0)
}

func undoRecord(done *Record, name string, now time.Time) Record {
	r := *done
	r.Step, r.Undoing, r.Touched, r.Why, r.Log, r.Kept = Back, true, true, "it is asked for", nil, nil
	r.Began, r.Container = now.UTC().Truncate(time.Second), name
	r.Failed = name + "-undone-" + stamp(now)
	return r
}
