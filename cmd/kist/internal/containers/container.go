package containers

import (
	"cmp"
	"context"
	"errors"
	"io"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
)

// Container is a container and its image.
type Container struct {
	stopped.Target
	Image *engine.Image // nil where the engine no longer has it
}

// Find asks an engine for a container; engine.ErrNotFound says that there is none.
func Find(ctx context.Context, e *engine.Engine, name string) (*Container, error) {
	found, err := e.Inspect(ctx, name)
	if err != nil {
		return nil, err
	}
	image, err := e.Image(ctx, cmp.Or(found.ImageID, found.ImageName))
	if err != nil && !errors.Is(err, engine.ErrNotFound) {
		return nil, err
	}
	return &Container{stopped.Target{Container: found, Engine: e}, image}, nil
}

// Digest gives that of the image, "" where nothing tells it.
func (c *Container) Digest() string { return engine.NewLaunch(c.Container, c.Image).Digest }

// MountAt gives what is mounted at a path in the container, or nil.
func (c *Container) MountAt(path string) *engine.Mount {
	for i := range c.Mounts {
		if c.Mounts[i].Destination == path {
			return &c.Mounts[i]
		}
	}
	return nil
}

// CopyIn lets the engine unpack the tar stream that write writes, in a folder of the
// container.
func (c *Container) CopyIn(ctx context.Context, dir string, write func(io.Writer) error) error {
	in, out := io.Pipe()
	written := make(chan error, 1)
	go func() {
		err := write(out)
		out.CloseWithError(err)
		written <- err
	}()
	err := c.Engine.CopyIn(ctx, c.ID, dir, in)
	in.CloseWithError(err)
	if failed := <-written; err == nil {
		err = failed
	}
	return err
}
