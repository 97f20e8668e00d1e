package upgrade

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// Spent is a container in whose place By was made, with another restart policy. It is removed, and By gets its name.
type Spent struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	By   string `json:"by"`
}

// again makes a container once more with another restart policy, and not started, for engines that can't change one. The one
// whose place it takes is stopped, and removed. layer says that what the container wrote into its own layer, outside of its
// mounts, must not be lost. Where anything would be, a LossesError says so and nothing was changed.
func (p *pair) again(ctx context.Context, id *string, policy string, layer bool) error {
	c, err := p.engine.Inspect(ctx, *id)
	if err != nil {
		return err
	}
	if err := p.removeAgain(ctx); err != nil {
		return err
	}
	made, err := p.makeAgain(ctx, c, policy, layer)
	if err != nil {
		return err
	}
	if err := p.replace(ctx, c, id, made); err != nil {
		return errors.Join(err, p.engine.Remove(ctx, made))
	}
	return p.spend(ctx)
}

// makeAgain makes the container that is to take the place of c, and holds it against that.
func (p *pair) makeAgain(ctx context.Context, c *engine.Container, policy string, layer bool) (made string, err error) {
	image, err := p.engine.Image(ctx, c.ImageID)
	if err != nil {
		return "", err
	}
	launch, label := engine.NewLaunch(c, image).WithRestart(policy), labelUpgrade+"="+c.ID
	made, err = p.engine.Create(ctx, launch.Remake(p.Again, c.ImageName, image, label))
	if err != nil { // the image may have lost its name since
		nameless := *image
		nameless.Digest = ""
		if err := p.removeAgain(ctx); err != nil {
			return "", err
		}
		if made, err = p.engine.Create(ctx, launch.Remake(p.Again, c.ImageName, &nameless, label)); err != nil {
			return "", errors.Join(err, p.removeAgain(ctx))
		}
	}
	lost, err := p.lost(ctx, c, made, image, policy, layer)
	if err == nil && len(lost) > 0 {
		err = &LossesError{c.Name, lost}
	}
	if err != nil {
		return "", errors.Join(err, p.engine.Remove(ctx, made))
	}
	return made, nil
}

func (p *pair) lost(ctx context.Context, c *engine.Container, id string, image *engine.Image, policy string, layer bool) ([]string, error) {
	made, err := p.engine.Inspect(ctx, id)
	if err != nil {
		return nil, err
	}
	lost := engine.Differences(c, made, image)
	if made.RestartPolicy() != policy {
		lost = append(lost, "restart policy "+policy)
	}
	dependents, err := p.engine.Dependents(ctx, c.ID)
	if err != nil {
		return nil, err
	}
	for _, d := range dependents {
		lost = append(lost, "what container "+d.Name+" depends on")
	}
	changed, err := p.engine.Changed(ctx, c)
	if !layer {
		p.wrote, p.unseen = changed, err
		return lost, nil
	}
	for _, path := range changed {
		lost = append(lost, "what was written into the container itself: "+path)
	}
	return lost, err
}

// replace stops what is to go, and writes down what takes its place before it is removed.
func (p *pair) replace(ctx context.Context, c *engine.Container, id *string, made string) error {
	if c.Running {
		// One that the engine starts again and again may have ended just now: it is removed all the same.
		if err := p.engine.Stop(ctx, c); err != nil && c.RestartPolicy() == "no" {
			return err
		}
	}
	was := p.Record
	p.Spent = &Spent{c.ID, c.Name, made}
	if id == &p.Old {
		p.Key = p.key()
	}
	p.Ran = p.Ran || id == &p.New && everStarted(c)
	*id = made
	if err := p.write(); err != nil {
		p.Record = was
		return err
	}
	return nil
}

// tidy implements side.
func (p *pair) tidy(ctx context.Context) error {
	if p.Spent == nil {
		return p.removeAgain(ctx)
	}
	if err := p.spend(ctx); err != nil && p.Spent != nil {
		return err
	}
	return nil
}

// spend removes what another container was made in the place of, and gives that its name. What can't be removed stays in its
// place: then it fails, and nothing is Spent.
func (p *pair) spend(ctx context.Context) error {
	refused := p.engine.Destroy(ctx, p.Spent.ID)
	if errors.Is(refused, engine.ErrNotFound) {
		refused = nil
	}
	if c, err := p.find(ctx, p.Spent.ID); err != nil || c != nil {
		if refused == nil {
			refused = fmt.Errorf("container %s could not be removed", screen.Line(p.Spent.Name))
		}
		if err == nil {
			err = p.keepSpent(ctx)
		}
		return errors.Join(refused, err)
	}
	if err := p.rename(ctx, p.Spent.By, p.Spent.Name); err != nil {
		return err
	}
	p.Spent = nil
	if err := p.write(); err != nil { // doing it once more does no harm
		p.screen.Warn("%s", screen.Text(err.Error()))
	}
	return nil
}

// keepSpent leaves what could not be removed in its place. What was to take that is removed, unless it was started.
func (p *pair) keepSpent(ctx context.Context) error {
	c, err := p.find(ctx, p.Spent.By)
	if err != nil {
		return err
	}
	if c != nil && everStarted(c) {
		return fmt.Errorf("and container %s, which was made in its place, was started: remove one of the two by hand", screen.Line(c.Name))
	}
	was := p.Record
	for _, id := range []*string{&p.Old, &p.New} {
		if *id == p.Spent.By {
			*id = p.Spent.ID
		}
	}
	p.Spent = nil
	if err := p.write(); err != nil {
		p.Record = was
		return err
	}
	return p.removeAgain(ctx)
}

// removeAgain removes a container that was made to take the place of another, and did not come to it. The engine may have
// started it with the machine, by the policy that it was made with.
func (p *pair) removeAgain(ctx context.Context) error {
	if p.Again == "" {
		return nil
	}
	c, err := p.find(ctx, p.Again)
	if err != nil || c == nil || c.Labels[labelUpgrade] == "" || c.ID == p.Old || c.ID == p.New {
		return err
	}
	if c.Running {
		p.engine.Stop(ctx, c) // Destroy ends what does not heed it
	}
	return p.engine.Destroy(ctx, c.ID)
}

// change gives a container another restart policy, and makes it once more where the engine can't do that.
func (p *pair) change(ctx context.Context, id *string, policy string, layer bool) (anew bool, err error) {
	c, err := p.find(ctx, *id)
	if err != nil || c == nil || c.RestartPolicy() == policy {
		return false, err
	}
	if p.engine.SetRestartPolicy(ctx, *id, policy) == nil {
		if c, err = p.find(ctx, *id); err != nil || c == nil || c.RestartPolicy() == policy {
			return false, err
		}
	}
	return true, p.again(ctx, id, policy, layer)
}

// establish implements side.
func (p *pair) establish(ctx context.Context) (anew bool, err error) {
	if p.NewPolicy == "" || p.NewPolicy == "no" {
		return false, nil
	}
	p.screen.Say("Giving it its restart policy, %s.", screen.Printable(p.NewPolicy))
	was := p.New
	anew, err = p.change(ctx, &p.New, p.NewPolicy, false)
	if err != nil && p.stillRuns(ctx, was) { // it is well, and nothing was changed
		p.screen.Warn("the engine will not start the new container by itself as it did the old one: it did not take the restart policy %s (%s).",
			screen.Printable(p.NewPolicy), screen.Text(err.Error()))
		return false, nil
	}
	if err != nil || !anew {
		return false, err
	}
	p.screen.Say("Starting %s once more: the engine changes no restart policy of one that is made.", screen.Printable(p.Container))
	p.warnLayer()
	return true, p.startNew(ctx)
}

// warnLayer says what the new version wrote into its own container while it was watched, and not into a volume: the one that
// takes its place begins without.
func (p *pair) warnLayer() {
	const most = 5
	what := strings.Join(p.wrote[:min(len(p.wrote), most)], ", ")
	switch {
	case p.unseen != nil:
		what = "what it was could not be seen: " + p.unseen.Error()
	case len(p.wrote) == 0:
		return
	case len(p.wrote) > most:
		what = fmt.Sprintf("%s and %d more", what, len(p.wrote)-most)
	}
	p.screen.Warn("what %s wrote into its own container, outside of its volumes, while it was watched is gone with that: %s.",
		screen.Printable(p.Container), screen.Text(what))
}

func (p *pair) stillRuns(ctx context.Context, id string) bool {
	running, err := p.engine.IsRunning(ctx, id)
	return err == nil && running && p.New == id && p.Spent == nil
}

// retireOld implements side.
func (p *pair) retireOld(ctx context.Context) error {
	if err := p.tidy(ctx); err != nil {
		return err
	}
	return p.retire(ctx, &p.Old, p.Before)
}

// retire is leaveDown. It fails where a container is half made again.
func (p *pair) retire(ctx context.Context, id *string, name string) error {
	p.leaveDown(ctx, id, name)
	if p.Spent != nil {
		return fmt.Errorf("container %s is made once more, and that is not at its end", screen.Line(p.Spent.Name))
	}
	return nil
}

// leaveDown keeps the engine from starting a container that is set aside, also when the machine starts, or says loudly that
// it may.
func (p *pair) leaveDown(ctx context.Context, id *string, name string) {
	c, err := p.find(ctx, *id)
	if err == nil && c == nil {
		return
	}
	if err == nil && !startsWithMachine(c.RestartPolicy()) {
		if policy := c.RestartPolicy(); policy != "no" {
			p.engine.SetRestartPolicy(ctx, *id, "no")
		}
		return
	}
	if err == nil {
		_, err = p.change(ctx, id, "no", true)
	}
	if err != nil && !p.told[*id] {
		if p.told == nil {
			p.told = make(map[string]bool)
		}
		p.told[*id] = true
		why := err.Error()
		if losses, ok := errors.AsType[*LossesError](err); ok {
			why = "made again without one, this would be lost: " + strings.Join(losses.Lost, "; ")
		}
		p.screen.Warn("WHEN THIS MACHINE STARTS, THE ENGINE MAY START CONTAINER %.12s, which is set aside as %s, BESIDE THE OTHER VERSION, ON THE SAME DATA, by its restart policy. Once it is not needed: %s rm %.12[1]s (%[4]s)",
			*id, screen.Printable(name), screen.Printable(p.engine.Name()), screen.Text(why)) // by its id: it may not have that name yet
	}
}

// givePolicyBack has the engine start the old container again as it did, once that is started.
func (p *pair) givePolicyBack(ctx context.Context) error {
	if p.Policy == "no" || p.Policy == "" {
		return nil
	}
	_, err := p.change(ctx, &p.Old, p.Policy, true)
	return err
}

// startsWithMachine tells whether engines start containers with a restart policy when the machine
// starts: common practice, no source.
func startsWithMachine(policy string) bool { return policy == "always" || policy == "unless-stopped" }
