package main

import (
	"cmp"
	"context"
	"errors"
	"io"
	"maps"
	"slices"
	"strconv"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/store"
)

// captureContainer captures the volumes of a container.
func (s *capturing) captureContainer(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	if c.Bool("stop") && c.Bool("live") {
		return usagef("capture: --stop and --live are both given")
	}
	target, err := s.app.findContainer(c, c.String("container"))
	if err != nil {
		return err
	}
	if target.Running && !c.Bool("stop") && !c.Bool("live") {
		return usagef("container %s is running: --stop stops it while it is captured and starts it again, --live takes the volumes as they are while it writes", screen.Line(target.Name))
	}
	if err := s.describe(target); err != nil {
		return err
	}
	s.sources, err = s.app.mountSources(target, containers.Choice{ReadOnly: c.Bool("include-readonly"), Exclude: c.StringSlice("exclude-mount")}, foldersAsked(c))
	if err != nil {
		return err
	}
	if err := s.app.checkApart(s.sources); err != nil {
		return err
	}
	r, err := s.app.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	return s.takeContainer(c.Context, r, target, c.Bool("stop"))
}

// describe gives the capture's name, version and labels where the command line
// does not.
func (s *capturing) describe(c *containers.Container) error {
	o := &s.options
	for _, label := range containers.OwnLabels() {
		if _, ok := o.Labels[label]; ok {
			return usagef("--label %s: kist gives this label to captures of containers itself", label)
		}
	}
	o.Name = cmp.Or(o.Name, c.Name)
	if o.Version == "" {
		var remark string
		if o.Version, remark = c.Version(); remark != "" {
			s.app.Warn("%s", remark)
		}
	}
	labels, remark, err := c.Labels()
	if err != nil {
		return err
	}
	if remark != "" {
		s.app.Warn("%s", remark)
	}
	maps.Copy(o.Labels, labels)
	return nil
}

// mountSources gives a source for each mount that is to be captured.
func (a *app) mountSources(c *containers.Container, choice containers.Choice, how sources.Reading) ([]*sources.Source, error) {
	volumes, err := c.Volumes(a.Screen, choice)
	if err != nil {
		return nil, err
	}
	var all []*sources.Source
	taken := make(sources.Names)
	for _, v := range volumes {
		s := &sources.Source{Path: v.Source, Name: taken.Distinct(v.Name), MountPath: v.Destination, Reading: how, Empty: true}
		switch {
		case v.Copied:
			s.Kind = sources.Copy
			s.Copy = func(ctx context.Context) io.ReadCloser { return c.Engine.CopyOut(ctx, c.ID, v.Destination) }
		case v.Folder:
			s.Kind = sources.Folder
		}
		all = append(all, s)
	}
	return all, nil
}

// takeContainer captures what runs by stopping it, what stands as it is, and
// else a live container.
func (s *capturing) takeContainer(ctx context.Context, r *repository, target *containers.Container, stop bool) error {
	if target.Running && stop {
		return s.takeStopped(ctx, r, target)
	}
	if target.Running {
		s.options.Labels[containers.LabelLive] = "yes"
		s.app.Warn("container %s goes on writing: what is captured may be of no single moment. Captures of a stopped one are safe.", screen.Printable(target.Name))
	}
	taken, err := s.take(ctx, r, "capturing")
	if err != nil {
		return err
	}
	var started error
	if !target.Running {
		started = target.MustStand(ctx, stopped.StartedMeanwhile)
	}
	return errors.Join(s.report(taken), started)
}

// takeStopped reads the volumes once while the container runs, and again, as far
// as they changed since, while it is stopped.
func (s *capturing) takeStopped(ctx context.Context, r *repository, target *containers.Container) error {
	draft, err := s.draft(ctx, r)
	if err != nil {
		return err
	}
	var made *captured
	began := time.Now()
	err = s.app.keeper().While(ctx, target.Target, func(ctx context.Context) (err error) {
		made, err = s.takeAfter(ctx, r, draft, began)
		return err
	})
	if made == nil {
		return err
	}
	return errors.Join(s.report(made), err)
}

// draft stores what there is in folders while the container runs. An engine's
// copy of files that change may fail, and so is left to when they don't.
func (s *capturing) draft(ctx context.Context, r *repository) (*store.Draft, error) {
	o, end := s.input("reading while it runs")
	defer end()
	o.Volumes = slices.DeleteFunc(o.Volumes, func(v store.VolumeInput) bool { return v.Folder == nil })
	if len(o.Volumes) == 0 {
		return nil, nil
	}
	return r.Draft(ctx, o)
}

// takeAfter captures what changed since the draft, and what did not from there.
func (s *capturing) takeAfter(ctx context.Context, r *repository, draft *store.Draft, began time.Time) (*captured, error) {
	s.options.After = draft
	s.reading = func() {
		s.options.Labels[containers.LabelStopped] = strconv.FormatFloat(time.Since(began).Seconds(), 'f', 1, 64)
	}
	return s.take(ctx, r, "capturing")
}
