package upgrade

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/watch"
)

// labelUpgrade is the label of containers that an upgrade made, with the id of the one that they are to take
// the place of.
const labelUpgrade = "kist.upgrade"

// pair is the old container and the new one of a record. Each method looks first at what is there, so that
// it can be called again.
type pair struct {
	*journal
	dir    string // of journals
	engine *engine.Engine
	screen *screen.Screen
	every  time.Duration
	stood  bool            // the old one, when this run stopped it
	wrote  []string        // into its own layer, what was made once more without that
	unseen error           // why that is not known
	told   map[string]bool // of which it was said that the engine may start them
}

var _ side = (*pair)(nil)

// find gives a container by its id, nil where it is gone.
func (p *pair) find(ctx context.Context, id string) (*engine.Container, error) {
	if id == "" {
		return nil, nil
	}
	c, err := p.engine.Inspect(ctx, id)
	if errors.Is(err, engine.ErrNotFound) {
		return nil, nil
	}
	return c, err
}

// findNew finds the new container, also if the run that made it was killed before it wrote down its id.
func (p *pair) findNew(ctx context.Context) (*engine.Container, error) {
	if c, err := p.find(ctx, p.New); c != nil || err != nil {
		return c, err
	}
	c, err := p.find(ctx, p.Next) // it may have been made once more
	if c == nil || c.Labels[labelUpgrade] != p.key() {
		return nil, err
	}
	p.New = c.ID
	return c, err
}

// removeNew removes the new container, which this upgrade never started. One that something else started, such as an engine
// when the machine starts, is stopped and set aside: it may have written into the data.
func (p *pair) removeNew(ctx context.Context) error {
	c, err := p.findNew(ctx)
	if c == nil || err != nil {
		return err
	}
	if !everStarted(c) {
		return p.engine.Remove(ctx, c.ID)
	}
	if err := p.stop(ctx, &p.New); err != nil {
		return err
	}
	p.screen.Warn("container %s was started, and not by kist: it may have written into the data that %s works on. It is stopped, and kept as %s.",
		screen.Printable(c.Name), screen.Printable(p.Container), screen.Printable(p.Failed))
	p.noteAside()
	return p.rename(ctx, p.New, p.Failed)
}

// rename gives a container a name unless it has it.
func (p *pair) rename(ctx context.Context, id, name string) error {
	c, err := p.find(ctx, id)
	if err != nil || c == nil || c.Name == name {
		return err
	}
	return p.engine.Rename(ctx, id, name)
}

// swap sets the old container aside, and gives the new one its name.
func (p *pair) swap(ctx context.Context) error {
	if err := p.rename(ctx, p.Old, p.Before); err != nil {
		return err
	}
	return p.rename(ctx, p.New, p.Container)
}

// swapBack sets the new container aside for a look, or removes it where it was never started, and gives
// the old one its name.
func (p *pair) swapBack(ctx context.Context) error {
	var err error
	if p.Touched {
		err = p.setNewAside(ctx)
	} else {
		err = p.removeNew(ctx)
	}
	return errors.Join(err, p.rename(ctx, p.Old, p.Container))
}

// setNewAside keeps the new container under another name, unless somebody removed it.
func (p *pair) setNewAside(ctx context.Context) error {
	c, err := p.findNew(ctx)
	if p.Gone = c == nil && err == nil; p.Gone {
		return nil
	}
	p.noteAside()
	return p.rename(ctx, p.New, p.Failed)
}

// start starts a container, and only while the other one stands.
func (p *pair) start(ctx context.Context, id, other string) error {
	c, err := p.find(ctx, other)
	if err != nil {
		return err
	}
	if c != nil && c.Running {
		return fmt.Errorf("container %s runs: the other version is not started beside it", screen.Line(c.Name))
	}
	if err := p.checkName(ctx); err != nil {
		return err
	}
	return p.engine.Start(ctx, id)
}

// checkName fails where a container runs under the service's name that is neither of the two: somebody made it by
// hand, and what runs already on the same volumes is left alone.
func (p *pair) checkName(ctx context.Context) error {
	c, err := p.find(ctx, p.Container)
	if err != nil || c == nil || c.ID == p.Old || c.ID == p.New || !c.Running {
		return err
	}
	return fmt.Errorf("container %s (%.12s) runs, and is neither the old one nor the new one: nothing is started beside it, and no data is put back under it. Stop it, and give it another name", screen.Line(c.Name), c.ID)
}

// watch watches a container as the record says, but not longer than most, if that is not 0.
func (p *pair) watch(ctx context.Context, id string, most time.Duration) (*watch.Verdict, error) {
	o := watch.Options{For: p.Watch, Healthy: p.Healthy, Every: p.every, Folder: p.WorkDir}
	if most > 0 {
		o.For = min(o.For, most)
	}
	return watch.Container(ctx, p.engine, id, o)
}

func (p *pair) stopOld(ctx context.Context) error {
	err := p.stop(ctx, &p.Old)
	p.stood = err == nil
	return err
}

// stopBoth has the engine leave the new one down as well: the data is about to be the old one's.
func (p *pair) stopBoth(ctx context.Context) error {
	if err := errors.Join(p.stop(ctx, &p.New), p.stop(ctx, &p.Old)); err != nil {
		return err
	}
	return p.retire(ctx, &p.New, p.Failed)
}

// exchange gives the new container the place of the old one, and has the engine leave that down, also where the machine starts
// anew while the new one is watched.
func (p *pair) exchange(ctx context.Context) error {
	if err := p.swap(ctx); err != nil {
		return err
	}
	return p.retire(context.WithoutCancel(ctx), &p.Old, p.Before)
}

func (p *pair) startNew(ctx context.Context) error { return p.start(ctx, p.New, p.Old) }

func (p *pair) watchNew(ctx context.Context) (*watch.Verdict, error) { return p.watch(ctx, p.New, 0) }

func (p *pair) watchOld(ctx context.Context, most time.Duration) (*watch.Verdict, error) {
	return p.watch(ctx, p.Old, most)
}

// startOld gives the old container its name, and starts it. A name, and a restart policy, are not worth a service that is down.
func (p *pair) startOld(ctx context.Context) error {
	if p.Touched {
		if err := p.stop(ctx, &p.New); err != nil {
			return err
		}
		p.leaveDown(ctx, &p.New, p.Failed)
	}
	named := errors.Join(p.swapBack(ctx), p.givePolicyBack(ctx))
	return errors.Join(p.start(ctx, p.Old, p.New), named)
}

func (p *pair) keepUp(ctx context.Context) error {
	c, err := p.find(ctx, p.New)
	if err != nil || c == nil || c.Running {
		return err
	}
	return p.startNew(ctx)
}

func (p *pair) checkOld(ctx context.Context) error {
	old, err := p.find(ctx, p.Old)
	if err != nil {
		return err
	}
	if old != nil {
		return p.checkName(ctx)
	}
	err = fmt.Errorf("the old container %s is gone: there is nothing to go back to. kist show %s --launch tells how it was made, and the capture has its data",
		screen.Line(p.Before), p.Capture)
	c, found := p.findNew(ctx)
	if found != nil || c == nil {
		return errors.Join(err, found)
	}
	return errors.Join(err, p.rename(ctx, c.ID, p.Container), p.keepUp(ctx))
}

func (p *pair) wasStarted(ctx context.Context) (started, known bool, err error) {
	c, err := p.findNew(ctx)
	if c == nil || err != nil {
		return false, false, err
	}
	return everStarted(c), true, nil
}

func (p *pair) running(ctx context.Context) (images []string, known bool) {
	known = true
	for _, of := range []struct{ id, image string }{{p.Old, p.OldImage}, {p.New, p.Image}} {
		c, err := p.find(ctx, of.id)
		if err != nil {
			return nil, false
		}
		if c != nil && c.Running {
			images = append(images, of.image)
		} else if c != nil && c.RestartPolicy() != "no" && c.State.Restarts > 0 && !(of.id == p.Old && p.stood) {
			known = false // it may be between two restarts
		}
	}
	return images, known
}

// everStarted tells whether a container may ever have run.
func everStarted(c *engine.Container) bool {
	// When the machine starts, some engines take all containers for such as were only made; when they were started is kept.
	return c.Running || !slices.Contains([]string{"created", "configured", "initialized"}, c.State.Status) ||
		c.State.Started != "" && !strings.HasPrefix(c.State.Started, "0001-01-01") && c.State.Started != "0"
}

// stamp dates the names of containers that are set aside, in UTC as captures are.
func stamp(t time.Time) string { return strings.ToLower(t.UTC().Format("20060102T150405Z")) }

// shortWatch is how long a container that was found well must stay up at least once it was made again.
const shortWatch = 5 * time.Second

func (p *pair) watchAnew(ctx context.Context) (*watch.Verdict, error) {
	return watch.Container(ctx, p.engine, p.New, watch.Options{
		For: p.Watch, Healthy: p.Healthy, Every: p.every, Folder: p.WorkDir, Enough: min(p.Watch, shortWatch),
	})
}
