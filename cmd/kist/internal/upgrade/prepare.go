package upgrade

import (
	"context"
	"errors"
	"fmt"
	"os"
	"regexp"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Request is an upgrade that is asked for.
type Request struct {
	Engine    *engine.Engine
	Container *engine.Container
	Image     *engine.Image // of the container; nil where the engine no longer has it
	To        string        // the new image; :TAG keeps the name
	Places    []string      // whole paths of what is captured and exchanged on this machine

	Watch              time.Duration
	Healthy            string
	AcceptLostSettings bool // upgrade though settings of the container can't be made again
	AcceptUnhealthy    bool // do not ask whether the old version is well

	// As in a Record.
	Repository, KeyFile, PassphraseFile string
}

// Target names the new image: :TAG keeps the name of the old one.
func (q *Request) Target() string {
	if tag, ok := strings.CutPrefix(q.To, ":"); ok {
		name, _, _ := strings.Cut(q.Container.ImageName, "@")
		if old := engine.Tag(name); old != "" {
			name = strings.TrimSuffix(name, ":"+old)
		}
		return name + ":" + tag
	}
	return q.To
}

// Record is what the journal of the upgrade begins with.
func (q *Request) Record(now time.Time) Record {
	c, date := q.Container, stamp(now)
	folder, _ := os.Getwd() // where that is not known, a later run uses its own
	return Record{
		Step: Making, Began: now.UTC().Truncate(time.Second), Engine: q.Engine.Name(),
		Container: c.Name, Old: c.ID, OldImage: c.ImageName, Image: q.Target(),
		Next: c.Name + "-next-" + date, Before: c.Name + "-before-" + date, Failed: c.Name + "-failed-" + date, Again: c.Name + "-again-" + date,
		Repository: q.Repository, KeyFile: q.KeyFile, PassphraseFile: q.PassphraseFile,
		Watch: q.Watch, Healthy: q.Healthy, WorkDir: folder, Places: q.Places,
	}
}

// ErrNotRunning is returned for a container that does not run: nothing would say whether the new version is
// as well as the old one was.
var ErrNotRunning = errors.New("it does not run: start it, and see that it is well, before it is upgraded")

// check refuses what can't end well, and changes nothing.
func (q *Request) check(ctx context.Context, r *Record) error {
	switch {
	case !q.Container.Running || q.Container.Stopping:
		return fmt.Errorf("container %s: %w", screen.Line(r.Container), ErrNotRunning)
	case q.Container.AutoRemove():
		return fmt.Errorf("container %s was made with --rm: the engine removes it when it stops, and nothing would be left to go back to. Make it without", screen.Line(r.Container))
	}
	for _, name := range []string{r.Next, r.Before, r.Failed, r.Again} {
		_, err := q.Engine.Inspect(ctx, name)
		if err == nil {
			return fmt.Errorf("a container %s is there already: a second later the name is another", screen.Line(name))
		}
		if !errors.Is(err, engine.ErrNotFound) {
			return err
		}
	}
	return nil
}

// checkRuns fails where something stopped the old container since it was looked at, or gave it another name: it may start it again
// beside the new one.
func (q *Request) checkRuns(ctx context.Context) error {
	c, err := q.Engine.Inspect(ctx, q.Container.ID)
	switch {
	case err != nil:
		return err
	case c.Name != q.Container.Name:
		return &AsItIsError{fmt.Errorf("container %s is called %s by now, and not by this upgrade: nothing was done", screen.Line(q.Container.Name), screen.Line(c.Name))}
	case !c.Running && c.State.Restarts == 0:
		return &AsItIsError{fmt.Errorf("container %s was stopped meanwhile, and not by this upgrade: nothing was done. Start it, and see that it is well, before it is upgraded", screen.Line(c.Name))}
	}
	return nil
}

// bareVersion fits what is a version rather than the name of an image.
var bareVersion = regexp.MustCompile(`^v?[0-9][0-9A-Za-z._-]*$`)

// TagError says that an image was asked for by what looks like a tag alone, and is not there. It is not fetched:
// whoever has an image of that name in a registry would get the data.
type TagError struct{ To string }

func (e *TagError) Error() string {
	return fmt.Sprintf("no image %s is here, and it looks like a tag: did you mean :%s? Without the colon it is the name of an image, and such a one is not fetched", screen.Line(e.To), screen.Line(e.To))
}

// FetchError says that an image is not on this machine, and that the engine can't fetch it.
type FetchError struct {
	Image string
	Err   error // what the engine said: often many long lines
}

func (e *FetchError) Error() string {
	return fmt.Sprintf("image %s is not here, and the engine can't fetch it", screen.Line(e.Image))
}

func (e *FetchError) Unwrap() error { return e.Err }

// image gives the new image, and has the engine fetch it where it is not there, or is the one that runs: its name
// may mean another by now.
func (q *Request) image(ctx context.Context, name string) (*engine.Image, error) {
	i, err := q.Engine.Image(ctx, name)
	missing := errors.Is(err, engine.ErrNotFound)
	if err != nil && !missing {
		return nil, err
	}
	if !missing && i.ID != q.Container.ImageID {
		return i, nil
	}
	if missing && bareVersion.MatchString(q.To) {
		return nil, &TagError{q.To}
	}
	if err := q.Engine.Pull(ctx, name); err != nil {
		if !missing {
			return i, nil // an image of this machine alone
		}
		return nil, &FetchError{name, err}
	}
	return q.Engine.Image(ctx, name)
}

// Words gives the words that make the new container. It gets its restart policy only once it was found well: with it, an
// engine would start one that fails again and again, also beside the old one.
func (q *Request) Words(r *Record, to *engine.Image) []string {
	return engine.NewLaunch(q.Container, q.Image).WithRestart("no").Remake(r.Next, r.Image, to, labelUpgrade+"="+r.Old)
}

// LossesError says what of a container's configuration can't be made again.
type LossesError struct {
	Container string
	Lost      []string
}

// lines escapes texts, each for a line of its own.
func lines(texts []string) (all []string) {
	for _, text := range texts {
		all = append(all, screen.Line(text))
	}
	return all
}

func (e *LossesError) Error() string {
	return fmt.Sprintf("container %s can't be made again as it is. This would be lost:\n  %s\n--accept-lost-settings upgrades it all the same",
		screen.Line(e.Container), strings.Join(lines(e.Lost), "\n  "))
}

// make makes the new container, which is not started, and holds it against the old one.
func (q *Request) make(ctx context.Context, p *pair, to *engine.Image) (lost []string, err error) {
	p.NewPolicy = q.Container.RestartPolicy()
	if p.New, err = q.Engine.Create(ctx, q.Words(&p.Record, to)); err != nil {
		return nil, err
	}
	made, err := q.Engine.Inspect(ctx, p.New)
	if err != nil {
		return nil, err
	}
	lost = engine.Losses(q.Container, made, q.Image)
	if len(lost) > 0 && !q.AcceptLostSettings {
		return lost, &LossesError{p.Container, lost}
	}
	return lost, nil
}
