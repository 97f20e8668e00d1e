package upgrade

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Resuming says how upgrades that were left are brought to their end.
type Resuming struct {
	// Most is how long what runs then is watched at most, 0 for as long as the upgrade was told to.
	Most time.Duration
	// Again tries also what failed already and waits for a person.
	Again bool
	// Down and Up take the place of the commands of an upgrade, of which there may be one then.
	Down, Up string
}

// Recover brings the upgrades to their end that runs which were killed left. Upgrades that are at work are left
// alone. It fails where one could not be brought to its end, and where the old version is not well; that
// it went back is no failure of it.
func (u *Upgrader) Recover(ctx context.Context, how Resuming) error {
	dir, err := u.Folder()
	if err != nil {
		return nil // nor could a journal have been written
	}
	found, err := files.Matching(dir, journalNames)
	if err != nil || len(found) == 0 && how.Down+how.Up == "" {
		return err
	}
	if len(found) > 0 {
		if err := folderOf(dir).Check(); err != nil {
			return err
		}
	}
	if how.Down+how.Up != "" {
		if err := checkOne(dir); err != nil {
			return err
		}
	}
	var errs []error
	for _, path := range found {
		if err := u.recover(context.WithoutCancel(ctx), dir, path, how); err != nil {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// ErrNotOne is returned by Recover for commands where not exactly one upgrade by commands was left.
var ErrNotOne = errors.New("not exactly one upgrade by commands was left")

// ErrNoneOpen is returned by Recover for commands where no upgrade by commands was left.
var ErrNoneOpen = errors.New("no upgrade by commands is open")

// checkOne fails unless one upgrade by commands was left.
func checkOne(dir string) error {
	open, err := binding(dir)
	if err != nil {
		return err
	}
	var names []string
	for _, o := range open {
		if o.Up != "" {
			names = append(names, o.Container)
		}
	}
	if len(names) == 0 {
		return fmt.Errorf("%w: there is nothing that --down and --up would be for", ErrNoneOpen)
	}
	if len(names) != 1 {
		return fmt.Errorf("%w, but %d: nothing says what other commands are for %s", ErrNotOne, len(names), screen.Line(strings.Join(names, ", ")))
	}
	return nil
}

func (u *Upgrader) recover(ctx context.Context, dir, path string, how Resuming) error {
	j, err := take(path)
	if err != nil {
		return fmt.Errorf("journal %s: %w", path, err)
	}
	if j == nil {
		return nil
	}
	defer j.release()
	if filepath.Base(path) != journalName(j.key()) {
		return fmt.Errorf("journal %s is not about the container of its name", path)
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
	if j.Stuck != "" && !how.Again {
		came(Unfinished)
		u.Screen.Warn("%s: its upgrade to %s is open; kist resume tries it again.", screen.Printable(j.Container), screen.Printable(j.Image)) // and says why
		return nil
	}
	if j.Up != "" && how.Down+how.Up != "" {
		down, up, report := j.Down, j.Up, came
		j.Down, j.Up = cmp.Or(how.Down, j.Down), cmp.Or(how.Up, j.Up)
		came = func(result Result) {
			if result == Unfinished { // what did not help must not be what is tried from now on
				j.Down, j.Up = down, up
				if err := j.write(); err != nil {
					u.Screen.Warn("%s", screen.Text(err.Error()))
				}
			}
			report(result)
		}
	}
	if err := errors.Join(w.settle(), w.endLeft(ctx)); err != nil {
		came(Unfinished)
		if place, ok := errors.AsType[*PlaceError](err); ok {
			place.Journal = path
		}
		j.Stuck = err.Error()
		return errors.Join(j.named(err), j.write())
	}
	return j.named(w.resume(ctx, how.Most, came))
}

// named has an error begin with the service's name: that of a journal says nothing to people.
func (r *Record) named(err error) error {
	if err == nil || strings.HasPrefix(err.Error(), screen.Line(r.Container)+" ") {
		return err
	}
	return fmt.Errorf("%s: the upgrade to %s is not at its end: %w", screen.Line(r.Container), screen.Line(r.Image), err)
}

// resume does what the table in the package comment says.
func (w *work) resume(ctx context.Context, most time.Duration, came func(Result)) error {
	name, image := screen.Printable(w.Container), screen.Printable(w.Image)
	switch w.Step {
	case Making:
		if err := w.forget(ctx); err != nil {
			came(Unfinished)
			return err
		}
		came(Unchanged)
		w.Screen.Warn("an upgrade of %s to %s was killed before it changed anything.", name, image)
		return nil
	case Looking:
		came(Unchanged)
		w.Screen.Warn("going back from %s to %s, of %s, was killed before it changed anything.", image, screen.Printable(w.OldImage), name)
		return w.end()
	case Good:
		o, err := w.finish(ctx)
		came(o.Outcome)
		return err
	case Ended:
		came(w.ended())
		w.over(ctx)
		return nil
	}
	w.Why = cmp.Or(w.Why, "kist did not come to its end")
	o, err := w.goBack(ctx, most)
	came(o.Outcome)
	switch {
	case o.Outcome == Unfinished, errors.Is(err, ErrUnwell):
		return err
	case err != nil:
		w.Screen.Warn("%s", screen.Text(err.Error()))
	default:
		w.Screen.Warn("%s", screen.Text(w.paragraph(o)))
	}
	return nil
}

func (w *work) ended() Result {
	if w.Undoing {
		return Undone
	}
	return WentBack
}

// removeDone removes the record of an upgrade that was undone.
func removeDone(dir, made string) error {
	err := os.Remove(donePath(dir, made))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return errors.Join(err, syncFolder(dir))
}
