package upgrade

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/watch"
)

// Upgrade upgrades a container. It gives an error, a paragraph for people, unless the new version runs. An
// interrupt after the service was stopped makes it go back. It is for a repository that was opened.
func (u *Upgrader) Upgrade(ctx context.Context, q *Request, data Data) (*Outcome, error) {
	r := q.Record(time.Now())
	to, err := q.look(ctx, &r)
	if err != nil {
		return unchanged(&r, err)
	}
	if to.ID != "" && to.ID == q.Container.ImageID {
		o := r.outcome(RunsIt)
		o.Runs = q.Container.ImageName
		return o, nil
	}
	if !q.AcceptUnhealthy {
		if err := u.askFirst(ctx, &r); err != nil {
			return unchanged(&r, err)
		}
	}
	dir, err := u.Folder()
	if err != nil {
		return unchanged(&r, err)
	}
	j, err := u.begin(dir, r)
	if err != nil {
		return unchanged(&r, err)
	}
	defer j.release()
	defer endsNot()()
	w := u.work(dir, j, q.Engine)
	w.data = data
	if err := w.prepare(ctx, q, to); err != nil {
		return unchanged(&j.Record, errors.Join(err, w.forget(context.WithoutCancel(ctx))))
	}
	return w.run(ctx)
}

// NotWellError says that a command which is to tell whether the new version is well does not say so of the old one.
type NotWellError struct{ Container, Why string }

func (e *NotWellError) Error() string {
	return fmt.Sprintf("%s is not well by --healthy as it runs now, and so neither would be the new version: %s\n--accept-unhealthy upgrades it all the same", screen.Line(e.Container), e.Why)
}

// askFirst asks about the old version what the new one will be asked: a command that can't succeed would take a good
// version for a bad one.
func (u *Upgrader) askFirst(ctx context.Context, r *Record) error {
	name := r.Container
	if r.Up != "" {
		name = ""
	}
	why, err := watch.Ask(ctx, name, watch.Options{Healthy: r.Healthy, Folder: r.WorkDir})
	if err == nil && why != "" {
		err = &NotWellError{r.Container, why}
	}
	return err
}

// run does what is done once all is prepared, and goes back if it fails.
func (w *work) run(ctx context.Context) (*Outcome, error) {
	if err := w.change(ctx); err != nil {
		w.Why, w.Log = reason(ctx, err), logOf(err)
		return w.goBack(context.WithoutCancel(ctx), 0)
	}
	return w.finish(context.WithoutCancel(ctx))
}

// endsNot keeps the process from ending because nobody reads any more what it says.
func endsNot() (end func()) {
	broken := make(chan os.Signal, 1)
	signal.Notify(broken, syscall.SIGPIPE)
	return func() { signal.Stop(broken) }
}

func unchanged(r *Record, err error) (*Outcome, error) {
	r.Why = err.Error()
	if _, ok := errors.AsType[*AsItIsError](err); ok {
		o := r.outcome(Unchanged)
		o.Runs = ""
		return o, err
	}
	state := "container " + screen.Line(r.Container) + " runs as before"
	if r.Up != "" {
		state = screen.Line(r.Container) + " is as it was" // nobody knows whether it runs
	}
	said := ""
	if fetch, ok := errors.AsType[*FetchError](err); ok {
		said = "\nThe engine said: " + lastOf(fetch.Err.Error())
	}
	return r.outcome(Unchanged), fmt.Errorf("%w\nNothing was stopped: %s%s", err, state, said)
}

// lastOf gives the last line of what a program said, where the cause is, cut at some length.
func lastOf(text string) string {
	const most = 200
	text = strings.TrimSpace(text)
	line := []rune(text[strings.LastIndexByte(text, '\n')+1:])
	if len(line) > most {
		line = append(line[:most], '…')
	}
	return string(line)
}

// look finds the new image, and refuses what can't end well.
func (q *Request) look(ctx context.Context, r *Record) (*engine.Image, error) {
	if err := q.check(ctx, r); err != nil {
		return nil, err
	}
	to, err := q.image(ctx, r.Image)
	if err != nil {
		return nil, err
	}
	r.Digest = to.Digest
	return to, nil
}

// work is what is done by one journal.
type work struct {
	*Upgrader
	*journal
	dir  string
	side side
	data Data // nil until it is needed

	unwritten error // of the last step
}

func (u *Upgrader) work(dir string, j *journal, e *engine.Engine) *work {
	w := &work{Upgrader: u, journal: j, dir: dir, side: &pair{journal: j, dir: dir, engine: e, screen: u.Screen, every: u.Every}}
	if j.Up != "" {
		w.side = &commands{j, u.Screen, u.Every}
	}
	return w
}

// prepare does all that can be done while the service runs.
func (w *work) prepare(ctx context.Context, q *Request, to *engine.Image) error {
	lost, err := q.make(ctx, w.side.(*pair), to)
	if err != nil {
		return err
	}
	for _, what := range lost {
		w.Screen.Warn("not in the new container: %s.", screen.Printable(what))
	}
	w.Policy = q.Container.RestartPolicy()
	if err := w.data.Draft(ctx); err != nil {
		return err
	}
	return q.checkRuns(ctx)
}

// forget undoes prepare.
func (w *work) forget(ctx context.Context) error {
	if err := w.side.removeNew(ctx); err != nil {
		return fmt.Errorf("the new container could not be removed, kist resume does it: %w", err)
	}
	return w.end()
}

// change goes from the old version to the new one, and watches that.
func (w *work) change(ctx context.Context) (err error) {
	if err := w.step(Stopping); err != nil {
		return err
	}
	w.Screen.Say("Stopping %s.", screen.Printable(w.Container))
	// A stop that is cut short leaves a container that neither runs nor starts.
	if err := w.side.stopOld(context.WithoutCancel(ctx)); err != nil {
		return err
	}
	if w.Capture, err = w.data.Capture(ctx); err != nil {
		return err
	}
	if err := w.step(Captured); err != nil {
		return err
	}
	if err := w.data.Hold(ctx, &w.Record); err != nil {
		return err
	}
	if err := w.side.exchange(ctx); err != nil {
		return err
	}
	w.Touched = true
	if err := w.step(Starting); err != nil {
		return err
	}
	w.Screen.Say("Starting %s from %s.", screen.Printable(w.Container), screen.Printable(w.Image))
	if err := w.side.startNew(ctx); err != nil {
		return err
	}
	w.Screen.Say("Watching it for %s.", w.Watch)
	if err := well(w.side.watchNew(ctx)); err != nil {
		return err
	}
	anew, err := w.side.establish(context.WithoutCancel(ctx))
	if err == nil && anew {
		err = well(w.side.watchAnew(ctx))
	}
	return err
}

// unwellError is a version that was watched and is not well.
type unwellError struct{ *watch.Verdict }

func (e *unwellError) Error() string { return e.Why }

func well(v *watch.Verdict, err error) error {
	if err == nil && !v.Healthy {
		err = &unwellError{v}
	}
	return err
}

// reason says in a few words why it goes back.
func reason(ctx context.Context, err error) string {
	if ctx.Err() != nil {
		return "kist was interrupted"
	}
	return err.Error()
}

func logOf(err error) []string {
	if unwell, ok := errors.AsType[*unwellError](err); ok {
		return unwell.Log
	}
	return nil
}

// finish ends an upgrade that went well. The hold ends once that is known for certain: on the disk.
func (w *work) finish(ctx context.Context) (*Outcome, error) {
	stepped := w.step(Good)
	if stepped == nil {
		w.letGo(ctx)
		if err := w.side.retireOld(ctx); err != nil {
			w.Screen.Warn("%s runs %s; kist resume ends what is left of the upgrade: %s", screen.Printable(w.Container), screen.Printable(w.Image), screen.Text(err.Error()))
			return w.outcome(Upgraded), nil
		}
	}
	if err := w.keep(); err != nil && stepped != nil {
		w.Why = "the journal can't be written: " + stepped.Error()
		return w.goBack(ctx, 0)
	} else if err != nil {
		w.Screen.Warn("the record of the upgrade of container %s could not be put away, and so --undo won't know of it: %s", screen.Printable(w.Container), screen.Text(err.Error()))
	} else if stepped != nil {
		w.letGo(ctx)
		if err := w.side.retireOld(ctx); err != nil {
			w.Screen.Warn("%s", screen.Text(err.Error()))
		}
	}
	return w.outcome(Upgraded), nil
}

// letGo ends the hold of the capture.
func (w *work) letGo(ctx context.Context) {
	if w.Capture == "" || w.Undoing {
		return
	}
	err := w.open(ctx)
	if err == nil {
		err = w.data.Release(ctx, &w.Record)
	}
	if err != nil {
		w.Screen.Warn("capture %s is held yet; kist release %s ends that: %s", w.Capture, w.Capture, screen.Text(err.Error()))
	}
}

// open opens what has the captures, if that is not done.
func (w *work) open(ctx context.Context) (err error) {
	if w.data == nil {
		w.data, err = w.Open(ctx, &w.Record)
	}
	return err
}
