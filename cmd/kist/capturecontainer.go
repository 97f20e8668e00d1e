package main

import (
	"cmp"
	"context"
	"errors"
	"io"
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
)

// captureContainers captures the volumes of containers, as one capture.
func (s *capturing) captureContainers(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	if c.Bool("stop") && c.Bool("live") {
		return usagef("capture: --stop and --live are both given")
	}
	s.app.metrics.About(cmp.Or(s.options.Name, c.StringSlice("container")[0]), s.options.Host)
	targets, err := s.findContainers(c)
	if err != nil {
		return err
	}
	if err := s.app.checkNoUpgrade(targets, nil); err != nil {
		return err
	}
	if err := s.describe(targets...); err != nil {
		return err
	}
	s.app.metrics.About(s.options.Name, s.options.Host)
	choice := containers.Choice{ReadOnly: c.Bool("include-readonly"), Exclude: c.StringSlice("exclude-mount")}
	if err := s.mount(targets, choice, foldersAsked(c)); err != nil {
		return err
	}
	if err := s.app.checkApart(s.sources); err != nil {
		return err
	}
	s.warnBeside(c.Context, targets)
	running := slices.ContainsFunc(targets, func(t *containers.Container) bool { return t.Running })
	r, err := s.open(c.Context, s.still.Before != "" || running && c.Bool("stop"))
	if err != nil {
		return err
	}
	defer s.close(c.Context, r)
	return s.takeContainers(c.Context, r, targets, c.Bool("stop"))
}

// findContainers finds all that were named, each once, and refuses one that runs where
// nothing says what to do about it.
func (s *capturing) findContainers(c *cli.Context) (targets []*containers.Container, err error) {
	for _, name := range c.StringSlice("container") {
		target, err := s.app.findContainer(c, name)
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(targets, func(other *containers.Container) bool { return other.ID == target.ID }) {
			return nil, usagef("container %s is named twice", screen.Line(target.Name))
		}
		if target.Running && !c.Bool("stop") && !c.Bool("live") {
			return nil, usagef("container %s is running: --stop stops it while it is captured and starts it again, --live takes the volumes as they are while it writes", screen.Line(target.Name))
		}
		if c.Bool("stop") {
			if err := checkPaused(target); err != nil {
				return nil, err
			}
		}
		targets = append(targets, target)
	}
	half, err := s.app.keeper().HalfRestored()
	for _, h := range half {
		if slices.ContainsFunc(targets, func(c *containers.Container) bool { return c.ID == h.ID && !c.Running }) {
			return nil, halfRestored("container "+screen.Line(h.Container), h)
		}
	}
	return targets, err
}

// describe gives the capture's name, version and labels where the command line
// does not. Name and version are those of the first container.
func (s *capturing) describe(targets ...*containers.Container) error {
	o, first := &s.options, targets[0]
	for _, label := range containers.OwnLabels() {
		if _, ok := o.Labels[label]; ok {
			return ownLabel(label)
		}
	}
	o.Name = cmp.Or(o.Name, first.Name)
	if o.Version == "" && s.versionFrom == "" {
		var remark string
		if o.Version, remark = first.Version(); remark != "" {
			s.app.Warn("%s", remark)
		}
	}
	for n, target := range targets {
		labels, remark, err := target.Labels()
		if err != nil {
			return err
		}
		if remark != "" {
			s.app.Warn("%s", remark)
		}
		if err := s.addLabels(containers.Numbered(labels, n)); err != nil {
			return err
		}
	}
	return nil
}

func (s *capturing) addLabels(labels map[string]string) error {
	for label, value := range labels {
		if _, ok := s.options.Labels[label]; ok {
			return ownLabel(label)
		}
		s.options.Labels[label] = value
	}
	return nil
}

func ownLabel(label string) error {
	return usagef("--label %s: kist gives this label to captures of containers itself", label)
}

// mount finds the sources of containers, and notes which are whose where there are several.
func (s *capturing) mount(targets []*containers.Container, choice containers.Choice, how sources.Reading) (err error) {
	if len(targets) == 1 {
		s.sources, err = s.app.mountSources(targets[0], choice, how)
		return err
	}
	for _, path := range choice.Exclude {
		if !slices.ContainsFunc(targets, func(c *containers.Container) bool { return c.MountAt(path) != nil }) {
			return usagef("--exclude-mount %s: nothing is mounted there in any of the containers", screen.Line(path))
		}
	}
	choice.Several = true
	set := &mountSet{screen: s.app.Screen, choice: choice, how: how, taken: make(sources.Names)}
	for n, target := range targets {
		names, err := set.add(target)
		if err == nil {
			err = s.addLabels(containers.Numbered(containers.VolumesLabel(names), n))
		}
		if err != nil {
			return err
		}
	}
	if s.sources = set.all; len(s.sources) == 0 {
		return usagef("the containers have no volume and no bind mount to capture")
	}
	return nil
}

// mountSources gives a source for each mount that is to be captured.
func (a *app) mountSources(c *containers.Container, choice containers.Choice, how sources.Reading) ([]*sources.Source, error) {
	set := &mountSet{screen: a.Screen, choice: choice, how: how, taken: make(sources.Names)}
	_, err := set.add(c)
	return set.all, err
}

// mountSet are the sources for mounts of containers.
type mountSet struct {
	screen *screen.Screen
	choice containers.Choice
	how    sources.Reading
	taken  sources.Names
	all    []*sources.Source
}

// add adds those of a container, and gives the names of its volumes. What several containers
// have is read once.
func (m *mountSet) add(c *containers.Container) (names []string, err error) {
	volumes, err := c.Volumes(m.screen, m.choice)
	if err != nil {
		return nil, err
	}
	for _, v := range volumes {
		shared := slices.IndexFunc(m.all, func(s *sources.Source) bool {
			return m.choice.Several && !v.Copied && s.Kind != sources.Copy && s.Path == v.Source
		})
		if shared >= 0 {
			names = append(names, m.all[shared].Name)
			continue
		}
		s := &sources.Source{Path: v.Source, Name: m.taken.Distinct(v.Name), MountPath: v.Destination, Reading: m.how, Empty: true}
		switch {
		case v.Copied:
			s.Kind = sources.Copy
			s.Copy = func(ctx context.Context) io.ReadCloser { return c.Engine.CopyOut(ctx, c.ID, v.Destination) }
		case v.Folder:
			s.Kind = sources.Folder
		}
		m.all, names = append(m.all, s), append(names, s.Name)
	}
	return names, nil
}

// takeContainers captures what runs by stopping it, what stands as it is, and
// else live containers.
func (s *capturing) takeContainers(ctx context.Context, r *repository, targets []*containers.Container, stop bool) error {
	var halted, standing []stopped.Target
	for _, target := range targets {
		switch {
		case !target.Running:
			standing = append(standing, target.Target)
		case stop:
			halted = append(halted, target.Target)
		default:
			s.options.Labels[containers.LabelLive] = "yes"
			s.app.Warn("container %s goes on writing: what is captured may be of no single moment. Captures of a stopped one are safe.", screen.Printable(target.Name))
		}
	}
	s.stands = func(ctx context.Context) (err error) {
		for _, target := range slices.Concat(halted, standing) {
			err = errors.Join(err, target.MustStand(ctx, stopped.StartedMeanwhile))
		}
		return err
	}
	return s.takeHeld(ctx, r, halted, nil)
}
