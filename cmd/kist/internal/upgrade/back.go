package upgrade

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// goBack ends an upgrade with the old version, on its own data. The old one is watched not longer than most, if
// that is not 0. Its error is a paragraph for people; only after an undo there is none.
func (w *work) goBack(ctx context.Context, most time.Duration) (*Outcome, error) {
	if w.Screen != nil && w.Step != Returned {
		w.Screen.Say("Going back to %s: %s.", screen.Printable(w.OldImage), screen.Text(w.Why))
	}
	if err := w.back(ctx); err != nil {
		return w.unfinished(ctx, err)
	}
	watched := well(w.pair.watch(ctx, w.Old, most))
	w.letGo(ctx)
	if err := w.end(w.dir); err != nil {
		w.Screen.Warn("the journal of an upgrade that is at its end could not be removed: %s", screen.Text(err.Error()))
	}
	if w.Undoing {
		removeDone(w.dir, w.New)
	}
	o := w.outcome(WentBack)
	if w.Undoing {
		o.Outcome = Undone
	}
	if watched != nil {
		o.Runs = ""
		if c, err := w.pair.find(ctx, w.Old); err == nil && c != nil && c.Running {
			o.Runs = w.OldImage
		}
		return o, fmt.Errorf("%s\nBUT THE OLD VERSION IS NOT WELL EITHER: %w%s", w.paragraph(o), watched, logText(logOf(watched)))
	}
	if w.Undoing {
		return o, nil
	}
	return o, errors.New(w.paragraph(o))
}

// back does what the table in the package comment says.
func (w *work) back(ctx context.Context) error {
	p := w.pair
	old, err := p.find(ctx, w.Old)
	if err != nil {
		return err
	}
	if old == nil {
		return w.nothingToGoBackTo(ctx)
	}
	made, err := p.findNew(ctx)
	if err != nil {
		return err
	}
	w.notice(made)
	if w.Touched && w.Step != Returned {
		if err := w.putBack(ctx); err != nil {
			return err
		}
	}
	return w.startOld(ctx)
}

// notice looks whether the new version was started: the run that meant to may not have come to it, and the
// engine may have done it when the machine started.
func (w *work) notice(made *engine.Container) {
	if made == nil || w.Step == Back || w.Step == Returned || w.Touched == everStarted(made) {
		return
	}
	w.Touched = !w.Touched
	if w.Touched {
		return
	}
	// It is written down before the container that tells it is removed.
	if err := w.step(Captured); err != nil {
		w.Touched = true
	}
}

// putBack brings the volumes to the data of the capture.
func (w *work) putBack(ctx context.Context) error {
	if w.Capture != "" {
		if err := w.ready(ctx); err != nil {
			err = fmt.Errorf("capture %s can't be read, and so its data can't be put back: %w", w.Capture, err)
			if w.Step != Back { // no run can have exchanged anything
				err = errors.Join(err, w.keepUp(ctx))
			}
			return err
		}
	}
	unwritten := w.step(Back) // the way back is gone all the same
	if err := errors.Join(w.pair.stop(ctx, w.New), w.pair.stop(ctx, w.Old)); err != nil {
		return err
	}
	if w.Capture != "" {
		if err := w.data.Restore(ctx, &w.Record, w.kept); err != nil {
			if errors.Is(err, ErrUntouched) && len(w.Kept) == 0 {
				err = errors.Join(err, w.keepUp(ctx))
			}
			return err
		}
	}
	if err := w.step(Returned); err != nil {
		w.Screen.Warn("%s", screen.Text(errors.Join(err, unwritten).Error()))
	}
	return nil
}

func (w *work) ready(ctx context.Context) error {
	if err := w.open(ctx); err != nil {
		return err
	}
	return w.data.Ready(ctx, w.Capture)
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

// keepUp starts the new version, on its own data, where neither would run.
func (w *work) keepUp(ctx context.Context) error {
	c, err := w.pair.find(ctx, w.New)
	if err != nil || c == nil || c.Running {
		return err
	}
	return w.pair.start(ctx, w.New, w.Old)
}

// startOld gives the old container its name, and starts it. A name is not worth a service that is down.
func (w *work) startOld(ctx context.Context) error {
	p := w.pair
	if w.Touched {
		if err := p.stop(ctx, w.New); err != nil {
			return err
		}
		if err := w.stayDown(ctx, w.New); err != nil && startsWithMachine(w.Policy) {
			w.Screen.Warn("container %s has its restart policy yet: the engine may start it when this machine starts. Remove it after the look.", screen.Printable(w.Failed))
		}
	}
	named := p.swapBack(ctx)
	return errors.Join(p.start(ctx, w.Old, w.New), named, w.givePolicyBack(ctx))
}

// givePolicyBack has the engine start the old container again as it did.
func (w *work) givePolicyBack(ctx context.Context) error {
	if w.Policy == "no" || w.Policy == "" {
		return nil
	}
	c, err := w.pair.find(ctx, w.Old)
	if err != nil || c == nil || c.RestartPolicy() == w.Policy {
		return err
	}
	return w.pair.engine.SetRestartPolicy(ctx, w.Old, w.Policy)
}

// nothingToGoBackTo ends it with the new version, as the old container was removed meanwhile.
func (w *work) nothingToGoBackTo(ctx context.Context) error {
	err := fmt.Errorf("the old container %s is gone: there is nothing to go back to. kist show %s --launch tells how it was made, and the capture has its data",
		w.Before, w.Capture)
	c, found := w.pair.findNew(ctx)
	if found != nil || c == nil {
		return errors.Join(err, found)
	}
	return errors.Join(err, w.pair.rename(ctx, c.ID, w.Container), w.keepUp(ctx))
}

// unfinished says what is when going back failed.
func (w *work) unfinished(ctx context.Context, err error) (*Outcome, error) {
	o := w.outcome(Unfinished)
	o.Why = fmt.Sprintf("%s; and going back failed: %v", w.Why, err)
	var runs []string
	for _, of := range []struct{ id, image string }{{w.Old, w.OldImage}, {w.New, w.Image}} {
		if c, err := w.pair.find(ctx, of.id); err == nil && c != nil && c.Running {
			runs = append(runs, of.image)
		}
	}
	state := "NOTHING RUNS NOW"
	if len(runs) > 0 {
		o.Runs = runs[0]
		state = strings.Join(runs, " and ") + " runs now"
	}
	return o, fmt.Errorf("%s was not upgraded to %s: %s\nGoing back to %s did not come to its end: %w\n%s. kist resume goes on where this ended%s",
		w.Container, w.Image, w.Why, w.OldImage, err, state, logText(w.Log))
}

// paragraph says what failed, what runs now and on which data, and where the other's is.
func (w *work) paragraph(o *Outcome) string {
	var b strings.Builder
	if w.Undoing {
		fmt.Fprintf(&b, "%s is back on %s, from %s", w.Container, w.OldImage, w.Image)
	} else {
		fmt.Fprintf(&b, "%s was not upgraded to %s: %s.\n%s runs as before", w.Container, w.Image, w.Why, w.OldImage)
	}
	if !w.Touched {
		b.WriteString(", on its own data, which nothing else has touched")
		return b.String()
	}
	fmt.Fprintf(&b, ", on the data of capture %s.\nThe container of %s is kept as %s", w.Capture, w.Image, w.Failed)
	if len(w.Kept) > 0 {
		b.WriteString(", and its data:")
		for _, place := range slices.Sorted(maps.Keys(w.Kept)) {
			path := w.Kept[place]
			if path == "" {
				path = "nothing was there"
			}
			fmt.Fprintf(&b, "\n  %s  %s", place, path)
		}
	}
	b.WriteString(logText(w.Log))
	return b.String()
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
