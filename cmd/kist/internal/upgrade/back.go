package upgrade

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// ErrUnwell is wrapped by the error of an upgrade that went back to an old version which is not well either.
var ErrUnwell = errors.New("the old version is not well either")

// goBack ends an upgrade with the old version, on its own data. The old one is watched not longer than most, if
// that is not 0. Its error is a paragraph for people; only after an undo there is none.
func (w *work) goBack(ctx context.Context, most time.Duration) (*Outcome, error) {
	if w.Step != Returned && w.Step != Ended {
		w.Screen.Say("Going back to %s: %s.", screen.Printable(w.OldImage), screen.Text(w.Why))
	}
	w.Stuck = ""
	if err := w.back(ctx); err != nil {
		return w.unfinished(ctx, err)
	}
	w.Screen.Say("Watching %s for %s.", screen.Printable(w.OldImage), shorter(w.Watch, most))
	watched := well(w.side.watchOld(ctx, most))
	w.over(ctx)
	o := w.outcome(WentBack)
	if w.Undoing {
		o.Outcome = Undone
	}
	if watched != nil {
		if runs, known := w.side.running(ctx); known && len(runs) == 0 {
			o.Runs = ""
		}
		return o, fmt.Errorf("%s\nBUT %w: %w%s", w.paragraph(o), shouted{ErrUnwell}, watched, logText(logOf(watched)))
	}
	if w.Undoing {
		return o, nil
	}
	return o, errors.New(w.paragraph(o))
}

// shouted is an error that nobody is to overlook.
type shouted struct{ error }

func (e shouted) Error() string { return strings.ToUpper(e.error.Error()) }
func (e shouted) Unwrap() error { return e.error }

func shorter(watch, most time.Duration) time.Duration {
	if most > 0 {
		return min(watch, most)
	}
	return watch
}

// over puts away what was for a way back that was gone. The hold ends once nothing needs the capture any more for certain:
// by a step that is on the disk, or by a journal that is gone.
func (w *work) over(ctx context.Context) {
	if w.Undoing {
		w.undone()
	}
	noted := w.step(Ended) == nil
	if noted {
		w.letGo(ctx)
	}
	err := w.end()
	switch {
	case err != nil:
		w.Screen.Warn("the journal of an upgrade that is at its end could not be removed: %s", screen.Text(err.Error()))
	case !noted:
		w.letGo(ctx)
	}
	if w.Undoing && err == nil {
		if err := removeDone(w.dir, w.Done); err != nil {
			w.Screen.Warn("the record of an upgrade that was undone could not be removed: %s", screen.Text(err.Error()))
		}
	}
}

// undone says in the record of the upgrade that it was undone, so that nobody does it twice.
func (w *work) undone() {
	done, err := take(donePath(w.dir, w.Done))
	if done == nil && err == nil {
		return
	}
	if err == nil {
		defer done.release()
		done.Undone = true
		err = done.write()
	}
	if err != nil {
		w.Screen.Warn("that the upgrade of %s was undone could not be noted: %s", screen.Printable(w.Container), screen.Text(err.Error()))
	}
}

// back does what the table in the package comment says.
func (w *work) back(ctx context.Context) error {
	if err := w.side.tidy(ctx); err != nil {
		return err
	}
	if err := w.side.checkOld(ctx); err != nil {
		return err
	}
	if err := w.notice(ctx); err != nil {
		return err
	}
	if w.Touched && w.Step != Returned {
		if err := w.putBack(ctx); err != nil {
			return err
		}
	}
	return w.side.startOld(ctx)
}

// notice looks whether the new version was started: the run that meant to may not have come to it, and the
// engine may have done it when the machine started.
func (w *work) notice(ctx context.Context) error {
	started, known, err := w.side.wasStarted(ctx)
	if err != nil || !known || w.Ran || w.Step == Back || w.Step == Returned || w.Touched == started {
		return err
	}
	w.Touched = started
	if started {
		return nil
	}
	// It is written down before the container that tells it is removed.
	if err := w.step(Captured); err != nil {
		w.Touched = true
	}
	return nil
}

// putBack brings the volumes to the data of the capture. Nothing is stopped before all of it is built beside them.
func (w *work) putBack(ctx context.Context) (err error) {
	if w.Capture == "" {
		err = w.stopNow(ctx)
	} else if err = w.open(ctx); err == nil {
		err = w.data.Restore(ctx, &w.Record, Deeds{w.stopNow, w.noteExchanges, w.kept})
	} else if w.untouched() {
		err = fmt.Errorf("%w: %w", ErrUntouched, err)
	}
	if err != nil {
		err = fmt.Errorf("the data of capture %s is not put back: %w", w.Capture, err)
		w.Stuck = err.Error()
		if errors.Is(err, ErrUntouched) && len(w.Kept) == 0 {
			err = errors.Join(err, w.side.keepUp(ctx))
		}
		return err
	}
	unwritten := w.unwritten
	if err := w.step(Returned); err != nil {
		w.Screen.Warn("%s", screen.Text(errors.Join(err, unwritten).Error()))
	}
	return nil
}

// stopNow stops the new version, once there is what to put in the place of its data.
func (w *work) stopNow(ctx context.Context) error {
	if w.Undoing {
		w.Screen.Say("What %s wrote since it runs %s is set aside.", screen.Printable(w.Container), screen.Printable(w.Image))
	}
	w.unwritten = w.step(Back) // the way back is gone all the same
	return w.side.stopBoth(ctx)
}

// noteExchanges writes down what stands at each place, and what is about to be put there.
func (w *work) noteExchanges(all map[string]Exchange) {
	if w.Exchanges == nil {
		w.Exchanges = make(map[string]Exchange)
	}
	maps.Copy(w.Exchanges, all)
	if err := w.write(); err != nil { // neither version runs now: the way back is gone all the same
		w.Screen.Warn("%s", screen.Text(err.Error()))
	}
}

// kept writes down where the data of the new version is, of a volume that was exchanged.
func (w *work) kept(place, path string) {
	if w.Kept == nil {
		w.Kept = make(map[string]string)
	}
	w.Kept[place] = path
	if err := w.write(); err != nil {
		w.Screen.Warn("%s", screen.Text(err.Error()))
	}
}

// unfinished says what is when going back failed.
func (w *work) unfinished(ctx context.Context, err error) (*Outcome, error) {
	if w.Up != "" && w.Stuck == "" {
		w.Stuck = err.Error() // a command that failed once is not run again by whoever comes along
	}
	if w.Stuck != "" {
		err = errors.Join(err, w.write())
	}
	o := w.outcome(Unfinished)
	o.Why = fmt.Sprintf("%s; and going back failed: %v", w.Why, err)
	runs, known := w.side.running(ctx)
	state := "WHAT RUNS NOW IS NOT KNOWN"
	switch {
	case len(runs) > 0:
		o.Runs = runs[0]
		state = strings.Join(runs, " and ") + " runs now"
	case known:
		state = "NOTHING RUNS NOW"
	}
	return o, fmt.Errorf("%s was not upgraded to %s: %s\nGoing back to %s did not come to its end: %v\n%s. kist resume goes on where this ended%s%s",
		screen.Line(w.Container), screen.Line(w.Image), w.Why, screen.Line(w.OldImage), err, state, w.otherCommands(), logText(w.Log))
}

// otherCommands tells how to get on where one of the commands fails.
func (w *work) otherCommands() string {
	if w.Up == "" {
		return ""
	}
	return " (with --down COMMAND and --up COMMAND by others than those that were given)"
}

// paragraph says what failed, what runs now and on which data, and where the other's is.
func (w *work) paragraph(o *Outcome) string {
	var b strings.Builder
	if w.Undoing {
		fmt.Fprintf(&b, "%s is back on %s, from %s", screen.Line(w.Container), screen.Line(w.OldImage), screen.Line(w.Image))
	} else {
		fmt.Fprintf(&b, "%s was not upgraded to %s: %s.\n%s %s", screen.Line(w.Container), screen.Line(w.Image), w.Why, screen.Line(w.OldImage), w.howItRuns())
	}
	if !w.Touched {
		b.WriteString(", on its own data, which nothing else has touched")
		return b.String()
	}
	fmt.Fprintf(&b, ", on the data of capture %s", w.Capture)
	switch {
	case w.Lost != "":
		fmt.Fprintf(&b, ".\nThe engine started the container of %s again whenever it was stopped, so it is removed; its log and configuration are in %s", screen.Line(w.Image), w.Lost)
	case w.Gone:
		fmt.Fprintf(&b, ".\nThe container of %s is gone: somebody removed it meanwhile", screen.Line(w.Image))
	case w.Failed != "":
		fmt.Fprintf(&b, ".\nThe container of %s is kept as %s, until kist kept --remove %[2]s; %s", screen.Line(w.Image), screen.Line(w.Failed), w.notStarted(w.Failed))
	}
	if len(w.Kept) > 0 {
		fmt.Fprintf(&b, ".\nThe data of %s is kept:", screen.Line(w.Image))
		for _, place := range slices.Sorted(maps.Keys(w.Kept)) {
			if path := w.Kept[place]; path != "" {
				fmt.Fprintf(&b, "\n  what was in %s is in %s", place, path) // in words: a line may be broken between the two
			} else {
				fmt.Fprintf(&b, "\n  in %s nothing was", place)
			}
		}
	}
	b.WriteString(logText(w.Log))
	return b.String()
}

// howItRuns says whether the container is the one that ran before.
func (w *work) howItRuns() string {
	if w.Up == "" && w.key() != w.Old {
		return "runs again, in a container that was made once more by what the engine told of the old one, which is removed"
	}
	return "runs as before"
}

// notStarted says how a container that is set aside can be looked at, and how not.
func (r *Record) notStarted(name string) string {
	return fmt.Sprintf("do not start it on these volumes: it has the live data (%s logs %s shows what it printed, kist rehearse tries a version on a copy)", r.Engine, screen.Line(name))
}

func logText(lines []string) string {
	if len(lines) == 0 {
		return ""
	}
	shown := make([]string, len(lines))
	for i, line := range lines {
		shown[i] = screen.Printable(line)
	}
	return "\nThe last that it printed:\n  " + strings.Join(shown, "\n  ")
}
