package upgrade

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Recover brings the upgrades to their end that runs which were killed left. What runs then is watched not longer
// than most, if that is not 0. Upgrades that are at work are left alone. It fails where one could not be brought to its end; that it went back is no
// failure of it.
func (u *Upgrader) Recover(ctx context.Context, most time.Duration) error {
	dir, err := u.Folder()
	if err != nil {
		return nil // nor could a journal have been written
	}
	found, err := files.Matching(dir, journalNames)
	if err != nil || len(found) == 0 {
		return err
	}
	if err := checkPrivate(dir); err != nil {
		return err
	}
	var errs []error
	for _, path := range found {
		if err := u.recover(context.WithoutCancel(ctx), dir, path, most); err != nil {
			errs = append(errs, fmt.Errorf("journal %s: %w", path, err))
		}
	}
	return errors.Join(errs...)
}

func (u *Upgrader) recover(ctx context.Context, dir, path string, most time.Duration) error {
	j, err := take(path)
	if j == nil || err != nil {
		return err
	}
	defer j.release()
	if path != journalPath(dir, j.Old) {
		return errors.New("it is not about the container of its name")
	}
	defer endsNot()()
	w := u.work(dir, j, u.Engine(cmp.Or(j.Engine, engine.Default)))
	defer func() {
		if w.data != nil {
			w.data.Close()
		}
	}()
	came := func(result Result) {
		if u.Report != nil {
			u.Report(j.Container, result)
		}
	}
	switch j.Step {
	case Making:
		if err := w.forget(ctx); err != nil {
			came(Unfinished)
			return err
		}
		came(Unchanged)
		u.Screen.Warn("an upgrade of container %s to %s was killed before it changed anything.", screen.Printable(j.Container), screen.Printable(j.Image))
		return nil
	case Good:
		o, err := w.finish(ctx)
		came(o.Outcome)
		return err
	}
	j.Why = cmp.Or(j.Why, "kist did not come to its end")
	o, err := w.goBack(ctx, most)
	came(o.Outcome)
	if o.Outcome == Unfinished {
		return err
	}
	if err != nil {
		u.Screen.Warn("%s", screen.Text(err.Error()))
	} else {
		u.Screen.Warn("%s", screen.Text(w.paragraph(o)))
	}
	return nil
}

// removeDone removes the record of an upgrade that was undone.
func removeDone(dir, made string) { os.Remove(donePath(dir, made)) }
