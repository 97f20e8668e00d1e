package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// explainNoContainer says how a container is made that is to be restored into.
func explainNoContainer(err error, selector string) error {
	if !errors.Is(err, engine.ErrNotFound) {
		return err
	}
	return fmt.Errorf("%w. kist show %s --launch prints the commands that make it and start it; with --create it is made first, from the configuration that the capture has", err, screen.ShellQuote(selector))
}

// createTarget makes the container of a capture again, under a name, and does not start it. With
// --dry-run it gives nil, and says what would be done.
func (s *restoring) createTarget(ctx context.Context, c *cli.Context, capture *store.Capture, name string) (*containers.Container, error) {
	launch, err := launchOf(capture, name)
	if err != nil {
		return nil, err
	}
	was := launch.Name
	launch.Name = name
	e := s.app.engine(s.app.engineProgram(c))
	if err := checkCreate(ctx, e, was, name, launch.Mounts); err != nil {
		return nil, err
	}
	if s.dry {
		s.app.Say("Container %s would be made: %s", screen.Printable(name), shellLine(append([]string{e.Name()}, engine.MaskWords(launch.Command())...)))
		return nil, nil
	}
	if err := s.makeSources(capture, launch); err != nil {
		return nil, err
	}
	if _, err := e.Create(ctx, launch.Command()); err != nil {
		return nil, fmt.Errorf("making container %s: %w", name, err)
	}
	s.app.Say("Made container %s. It is not started: %s start %s does that.", screen.Printable(name), e.Name(), screen.ShellQuote(name))
	return containers.Find(ctx, e, name)
}

// makeSources makes folders of this machine that the container has mounted, where they are missing and
// the capture has what belongs there.
func (s *restoring) makeSources(capture *store.Capture, launch *engine.Launch) error {
	for _, m := range launch.Mounts {
		captured := false
		for i := range capture.Volumes {
			captured = captured || capture.Volumes[i].MountPath == m.Destination && capture.Volumes[i].Tar
		}
		if _, err := os.Lstat(m.Source); m.Type != "bind" || !captured || !filepath.IsAbs(m.Source) || !errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err := os.MkdirAll(m.Source, 0o755); err != nil {
			return err
		}
		s.app.Say("Made folder %s.", screen.Printable(m.Source))
	}
	return nil
}
