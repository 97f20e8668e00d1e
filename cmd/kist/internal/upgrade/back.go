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

// goBack ends an upgrade with the old version, on its own data. The old one is watched not longer than most, if
// that is not 0. Its error is a paragraph for people; only after an undo there is none.
func (w *work) goBack(ctx context.Context, most time.Duration) (*Outcome, error) {
	if w.Screen != nil && w.Step != Returned {
		w.Screen.Say("Going back to %s: %s.", screen.Printable(w.OldImage), screen.Text(w.Why))
	}
	if err := w.back(ctx); err != nil {
		return w.unfinished(ctx, err)
	}
	watched := well(w.side.watchOld(ctx, most))
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
		if runs, known := w.side.running(ctx); known && len(runs) == 0 {
			o.Runs = ""
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
	if err != nil || !known || w.Step == Back || w.Step == Returned || w.Touched == started {
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

// putBack brings the volumes to the data of the capture.
func (w *work) putBack(ctx context.Context) error {
	if w.Capture != "" {
		if err := w.ready(ctx); err != nil {
			err = fmt.Errorf("capture %s can't be read, and so its data can't be put back: %w", w.Capture, err)
			if w.Step != Back { // no run can have exchanged anything
				err = errors.Join(err, w.side.keepUp(ctx))
			}
			return err
		}
	}
	unwritten := w.step(Back) // the way back is gone all the same
	if err := w.side.stopBoth(ctx); err != nil {
		return err
	}
	if w.Capture != "" {
		if err := w.data.Restore(ctx, &w.Record, w.kept); err != nil {
			if errors.Is(err, ErrUntouched) && len(w.Kept) == 0 {
				err = errors.Join(err, w.side.keepUp(ctx))
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

// unfinished says what is when going back failed.
func (w *work) unfinished(ctx context.Context, err error) (*Outcome, error) {
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
	return o, fmt.Errorf("%s was not upgraded to %s: %s\nGoing back to %s did not come to its end: %v\n%s. kist resume goes on where this ended%s",
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
	fmt.Fprintf(&b, ", on the data of capture %s", w.Capture)
	if w.Failed != "" {
		fmt.Fprintf(&b, ".\nThe container of %s is kept as %s", w.Image, w.Failed)
	}
	if len(w.Kept) > 0 {
		fmt.Fprintf(&b, ".\nThe data of %s is kept:", w.Image)
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
