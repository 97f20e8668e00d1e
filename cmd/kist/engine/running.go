package engine

import (
	"context"
	"errors"
	"strings"
)

// RunningContainers gives the containers that run, or may still write. One that is removed meanwhile is left out.
func (e *Engine) RunningContainers(ctx context.Context) ([]*Container, error) {
	out, err := e.call(ctx, e.wait, "ps", "--quiet", "--no-trunc")
	if err != nil {
		return nil, err
	}
	var running []*Container
	for _, id := range strings.Fields(string(out)) {
		c, err := e.Inspect(ctx, id)
		if errors.Is(err, ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if c.Running {
			running = append(running, c)
		}
	}
	return running, nil
}

// HasVolume tells whether the engine has a volume of a name.
func (e *Engine) HasVolume(ctx context.Context, name string) (bool, error) {
	var found struct{}
	err := e.inspect(ctx, "volume", name, &found)
	if errors.Is(err, ErrNotFound) {
		return false, nil
	}
	return err == nil, err
}
