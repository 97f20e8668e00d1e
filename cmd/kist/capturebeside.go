package main

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// warnBeside warns where a running container that is not captured writes to what is: it goes on while the others stand, and so
// the capture is marked as one of what was live.
func (s *capturing) warnBeside(ctx context.Context, targets []*containers.Container) {
	running, err := targets[0].Engine.RunningContainers(ctx)
	if err != nil {
		s.app.Warn("whether another running container writes to the same data could not be seen: %s", screen.Text(err.Error()))
		return
	}
	for _, c := range running {
		if slices.ContainsFunc(targets, func(t *containers.Container) bool { return t.ID == c.ID }) {
			continue
		}
		if has := s.sharedWith(c, targets); has != nil {
			s.options.Labels[containers.LabelLive] = "yes"
			s.app.Warn("container %s runs and has the same data mounted at %s (%s): if it writes there, what is captured is of no single moment, and may be ruined already. Stop it (%s stop %[1]s) and capture again.",
				screen.Printable(c.Name), screen.Printable(has.Destination), screen.Printable(has.Source), targets[0].Engine.Name())
		}
	}
}

// sharedWith gives what a container has mounted to write of what is captured, or nil.
func (s *capturing) sharedWith(c *engine.Container, targets []*containers.Container) *engine.Mount {
	for _, t := range targets {
		for _, from := range s.sources {
			m := t.MountAt(from.MountPath)
			if m == nil {
				continue
			}
			if at := slices.IndexFunc(c.Mounts, func(theirs engine.Mount) bool { return theirs.RW && sharesPlace(*m, theirs) }); at >= 0 {
				return &c.Mounts[at]
			}
		}
	}
	return nil
}
