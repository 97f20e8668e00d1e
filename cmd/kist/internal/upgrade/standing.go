package upgrade

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// How it is seen that a container stays down: it is looked at so often, at most so far apart. An engine that starts again what
// ended does that within seconds: 1 to 3 on a busy machine (Podman 4.3.1, measured); one that waits longer says so by its
// state, and counts as running.
const (
	looks    = 16
	lookGap  = 500 * time.Millisecond
	mostEnds = 4 // how often one may come up meanwhile
)

// AgainError says that a container runs again though it was stopped, and why.
type AgainError struct{ Container, Policy, Engine string }

func (e *AgainError) Error() string {
	if e.Policy == "no" {
		return fmt.Sprintf("container %s runs again right after it was stopped, and not by the engine: it has no restart policy. Does a service manager start it? Then use --down and --up", screen.Line(e.Container))
	}
	return fmt.Sprintf("the engine starts container %s again and again, by its restart policy %s, and it can't be made again without one. Nothing is done beside it. %s stop %s ends that once it hits the container while it runs; then kist resume",
		screen.Line(e.Container), screen.Line(e.Policy), e.Engine, screen.Line(e.Container))
}

// stop sees that a container stands, and that the engine does not start it again: a stop that comes between two restarts of
// one that does not stay up changes nothing. One that is not to be held down otherwise is made once more without a
// restart policy, and the new one, last, is removed.
func (p *pair) stop(ctx context.Context, id *string) error {
	c, err := p.find(ctx, *id)
	if err != nil || c == nil {
		return err
	}
	policy, ran := c.RestartPolicy(), c.Running
	if !ran && (policy == "no" || !everStarted(c) || id == &p.Old && p.stood) {
		return nil
	}
	if ran {
		if err := p.engine.Stop(ctx, c); err != nil && policy == "no" {
			return err
		}
		if policy == "no" || c.State.Restarts == 0 {
			again, err := p.engine.IsRunning(ctx, *id)
			if err != nil || !again {
				return err
			}
			if policy == "no" {
				return &AgainError{c.Name, policy, p.engine.Name()}
			}
		}
	}
	if stays, err := p.staysDown(ctx, *id); err != nil || stays {
		return err
	}
	p.screen.Warn("the engine starts container %s again whenever it ends, by its restart policy %s: it is made once more without one.", screen.Printable(c.Name), screen.Printable(policy))
	return p.holdDown(ctx, id, c)
}

// staysDown looks at a container that may be about to be started by the engine, and stops it while it runs.
func (p *pair) staysDown(ctx context.Context, id string) (bool, error) {
	gap := lookGap
	if p.every > 0 {
		gap = min(gap, p.every)
	}
	came, seen := 0, ""
	for left := looks; left > 0; left-- {
		c, err := p.find(ctx, id)
		if err != nil || c == nil {
			return true, err
		}
		state := fmt.Sprint(c.State.Restarts, c.State.Started)
		if seen != "" && seen != state || c.Running {
			if came++; came > mostEnds {
				return false, nil
			}
			left = looks
		}
		seen = state
		if c.Running {
			p.engine.Stop(ctx, c) // it may have ended meanwhile; the next look tells
		}
		select {
		case <-time.After(gap):
		case <-ctx.Done():
			return false, context.Cause(ctx)
		}
	}
	return true, nil
}

// holdDown takes its restart policy from a container that the engine starts whatever is done.
func (p *pair) holdDown(ctx context.Context, id *string, c *engine.Container) error {
	if p.engine.SetRestartPolicy(ctx, *id, "no") == nil {
		if now, err := p.find(ctx, *id); err == nil && now != nil && now.RestartPolicy() == "no" {
			if stays, err := p.staysDown(ctx, *id); err != nil || stays {
				return err
			}
		}
	}
	to := "no"
	if id == &p.Old { // one that is not started needs no other
		to = c.RestartPolicy()
	}
	err := p.again(ctx, id, to, true)
	if err == nil {
		return nil
	}
	if id == &p.Old {
		return errors.Join(&AgainError{c.Name, c.RestartPolicy(), p.engine.Name()}, err)
	}
	return p.remove(ctx, c, err)
}

// remove removes the new container, whose log and configuration are kept.
func (p *pair) remove(ctx context.Context, c *engine.Container, why error) error {
	if err := p.tidy(ctx); err != nil {
		return errors.Join(why, err)
	}
	base := filepath.Join(p.dir, "lost-"+c.ID)
	log, err := p.engine.Logs(ctx, c.ID, 10000)
	if err != nil {
		log = []string{err.Error()}
	}
	err = files.Write(base+".json", true, func(w io.Writer) error {
		return json.NewEncoder(w).Encode(struct {
			Why    string         `json:"why"`
			Launch *engine.Launch `json:"launch"`
			Log    []string       `json:"log"`
		}{why.Error(), engine.NewLaunch(c, nil), log})
	})
	if err != nil {
		return errors.Join(why, err)
	}
	p.Lost, p.Ran = base+".json", true
	if err := p.write(); err != nil {
		return errors.Join(why, err)
	}
	if err := p.engine.Destroy(ctx, c.ID); err != nil && !errors.Is(err, engine.ErrNotFound) {
		return err
	}
	p.screen.Warn("container %s is removed, since the engine started it whatever was done; its log and configuration are in %s.", screen.Printable(c.Name), screen.Printable(p.Lost))
	return nil
}
