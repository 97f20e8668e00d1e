package engine

import (
	"context"
	"errors"
	"slices"
	"strings"
)

// RunningContainers gives the containers that run, or may still write. One that is removed meanwhile is left out.
func (e *Engine) RunningContainers(ctx context.Context) ([]*Container, error) {
	return e.containers(ctx, func(c *Container) bool { return c.Running })
}

// Dependents gives the containers, also those that stand, that depend on one of an id: they share its network or another
// namespace, or were made to require it. They stay bound to it whatever takes its name, and while they are there an engine
// refuses to remove it.
func (e *Engine) Dependents(ctx context.Context, id string) ([]*Container, error) {
	return e.containers(ctx, func(c *Container) bool { return c.dependsOn(id) }, "--all")
}

// containers gives those that are wanted of the containers that the engine lists. One that is removed meanwhile is left out.
func (e *Engine) containers(ctx context.Context, wanted func(*Container) bool, flags ...string) ([]*Container, error) {
	out, err := e.call(ctx, e.wait, append(append([]string{"ps"}, flags...), "--quiet", "--no-trunc")...)
	if err != nil {
		return nil, err
	}
	var all []*Container
	for _, id := range strings.Fields(string(out)) {
		c, err := e.Inspect(ctx, id)
		if errors.Is(err, ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if wanted(c) {
			all = append(all, c)
		}
	}
	return all, nil
}

// dependsOn tells whether the container depends on one of an id, as some engines list it, and others tell by what it shares.
func (c *Container) dependsOn(id string) bool {
	if slices.Contains(c.dependencies, id) {
		return true
	}
	host := newSettings(c.hostConfig)
	return slices.ContainsFunc([]string{"NetworkMode", "PidMode", "IpcMode", "UTSMode", "UsernsMode"}, func(mode string) bool {
		return get[string](host, mode) == "container:"+id
	})
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
