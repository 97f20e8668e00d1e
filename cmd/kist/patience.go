package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store/storage/files"
	"github.com/kistarchive/kist/store/storage/objects"
)

// How long a repository's place may be silent before it is said that it is waited for, and how seldom that is said
// again at least: each time after twice the time.
const (
	quietTime   = 5 * time.Second
	seldomQuiet = 15 * time.Minute
)

// errNoAnswer says that what the repository lies on did not answer in time.
var errNoAnswer = errors.New("there was no answer in time: is its server up?")

// silentError says that a run ended, or went on without the repository, since its folder did not answer.
type silentError struct {
	place   string // for people
	silence files.Silence
}

func (e *silentError) Error() string {
	text := e.place
	if call := callText(e.silence.Call); call != "" {
		text += ": " + call
	}
	return fmt.Sprintf("%s: %v (it was silent for %s%s)", text, errNoAnswer, screen.DurationText(e.silence.For.Round(time.Second)), causeText(e.silence))
}

func (e *silentError) Unwrap() error { return errNoAnswer }

// silentText is an error of which silence is the reason, as it is printed: what a person need not know, such as the names of
// calls that were broken off, is left out.
func silentText(err error, silent *silentError) string {
	text := silent.Error()
	if made := (*madeError)(nil); errors.As(err, &made) {
		text = made.text + ": " + text
	}
	if down := (*stopped.DownError)(nil); errors.As(err, &down) {
		text += "\n" + down.Error()
	}
	for also := (*alsoError)(nil); errors.As(err, &also); err = also.err {
		text += "\n" + also.text
	}
	return text + "\n" + againText
}

// againText says what to do when a place answers again, to who only looks the last of it, and to who makes a repository another.
const (
	againText     = "Nothing is left half done. " + againLookText + ": what has arrived is used."
	againLookText = "Run it again when it answers"

	againSetupText = againLookText + ". If something lies there by then, this run began it: kist list tells whether it is a repository."
)

// callText says what a call was about to do; "" of a request to an object store, of which nothing more is known.
func callText(c files.Call) string {
	switch {
	case c.Name == "" && c.Op == objects.Request:
		return ""
	case c.Name == "" || c.Name == ".":
		return c.Op
	}
	return c.Op + " " + screen.Line(c.Name)
}

// causeText says why calls failed that are done again, behind what is said of the silence; "" where nothing is known.
func causeText(s files.Silence) string {
	if s.Cause == nil {
		return ""
	}
	return "; " + screen.Line(s.Cause.Error())
}

// patience is what a run has with the folders of repositories.
type patience struct {
	most time.Duration           // 0: no end of it
	lost context.CancelCauseFunc // of the whole run
}

// scheduledPatience is that of what runs without a person, who would interrupt it: common practice, no source.
const scheduledPatience = "2m"

// readPatience reads how long a repository may be silent.
func (a *app) readPatience(asked string) (err error) {
	if a.patience.most, err = cmdline.Patience(cmp.Or(asked, a.getenv("KIST_GIVE_UP"), cmdline.Never)); err != nil {
		return usagef("--give-up %w", err)
	}
	return nil
}

// waited is the place of a repository as a run waits for it.
type waited struct {
	files.Watch
	at    where.Place
	place string // for people
	stop  func()

	mu   sync.Mutex
	most time.Duration // of silence; 0: any
	over bool          // it was silent for that long
	lost context.CancelCauseFunc
}

// waitFor has what a run waits for in a place told, and lost called when it was silent for the time most; 0: for no time. The
// caller ends it by stop.
func (a *app) waitFor(at where.Place, most time.Duration, lost context.CancelCauseFunc) *waited {
	ctx, cancel := context.WithCancel(context.Background())
	told := make(chan struct{})
	stop := func() {
		cancel()
		<-told // that a wait is over is said before what comes of it
	}
	w := &waited{at: at, place: at.Text(), stop: stop, most: most, lost: lost}
	first := quietTime
	if w.most > 0 {
		first = min(first, w.most)
	}
	go func() {
		defer close(told)
		w.Run(ctx, first, func(s files.Silence) time.Duration { return a.tellSilence(w, s) })
	}()
	return w
}

// allow says after how long a silence what is done.
func (w *waited) allow(most time.Duration, lost context.CancelCauseFunc) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.most, w.lost = most, lost
}

// tellSilence says that a folder is silent, or is no more, and gives when to tell that again.
func (a *app) tellSilence(w *waited, s files.Silence) time.Duration {
	w.mu.Lock()
	most, lost, over := w.most, w.lost, w.over
	w.over = over || !s.Over && most > 0 && s.For >= most
	w.mu.Unlock()
	if s.Over && !over { // whether it answered, or the system ended the call, is not known
		a.Say("The wait for %s is over, after %s.", w.place, screen.DurationText(s.For.Round(time.Second)))
	}
	if s.Over || over {
		return s.For + 365*24*time.Hour
	}
	if most > 0 && s.For >= most {
		lost(&silentError{w.place, s})
		return s.For + 365*24*time.Hour // nothing is left to be said
	}
	call := callText(s.Call)
	if call != "" {
		call = " (" + call + ")"
	}
	a.Warn("waiting for %s to answer, for %s by now%s%s", w.place, screen.DurationText(s.For.Round(time.Second)), call, causeText(s))
	next := min(2*s.For, s.For+seldomQuiet)
	if most > 0 {
		next = min(next, most)
	}
	return next
}

// ask asks the file system of a folder that is waited for something that can't be ended, and leaves that behind where the
// context ends.
func ask[T any](ctx context.Context, w *waited, op string, call func() T) (answer T, err error) {
	done := make(chan T, 1)
	go func() {
		defer w.Begin(op, "")()
		done <- call()
	}()
	select {
	case answer = <-done:
		return answer, nil
	case <-ctx.Done():
		return answer, context.Cause(ctx)
	}
}
