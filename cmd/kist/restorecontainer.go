package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// findRestoreTarget finds the container, and refuses one that runs.
func (a *app) findRestoreTarget(c *cli.Context, name string) (*containers.Container, error) {
	target, err := a.findContainer(c, name)
	if err == nil && !c.Bool("dry-run") {
		err = a.checkNoUpgrade([]*containers.Container{target}, nil)
	}
	if err != nil {
		return nil, err
	}
	if target.Running && !c.Bool("stop") && !c.Bool("dry-run") {
		return nil, usagef("container %s is running: --stop stops it while its volumes are exchanged and starts it again", target.Name)
	}
	if c.Bool("stop") && !c.Bool("dry-run") {
		if err := checkPaused(target); err != nil {
			return nil, err
		}
	}
	return target, nil
}

// volumePlace is where the container has a volume.
type volumePlace struct {
	volume *store.Volume
	dir    string
}

// containerRestore is a restore into the volumes of a container.
type containerRestore struct {
	*restoring
	target *containers.Container
	placed []volumePlace   // on this machine
	copied []volumePlace   // by the container engine, into a folder of the container
	halted *stopped.Halted // once the container is stopped

	begun, finished bool // to change what the container has
	losses          []*store.Losses
}

// intoContainer restores volumes to where they were mounted.
func (s *restoring) intoContainer(ctx context.Context, capture *store.Capture, volumeName string, target *containers.Container) error {
	volumes, err := chooseVolumes(capture, volumeName)
	if err == nil && volumeName == "" {
		volumes, err = volumesOf(capture, volumes, target)
	}
	if err != nil {
		return err
	}
	if err := s.checkPatterns(ctx, volumes); err != nil {
		return err
	}
	r := &containerRestore{restoring: s, target: target}
	if err := r.findPlaces(volumes); err != nil {
		return err
	}
	s.app.warnImage(capture, target)
	if capture.Labels[containers.LabelLive] != "" {
		s.app.Warn("capture %s was taken while the container ran: it may be of no single moment.", capture.ID)
	}
	if s.dry {
		return r.dryRun(ctx)
	}
	if err := checkBeside(ctx, target.Engine, r.exchanged(), target.ID); err != nil {
		return err
	}
	if err := r.checkSpace(ctx, r.targets()); err != nil {
		return err
	}
	for _, p := range r.placed {
		if full, err := holdsSomething(p.dir); err == nil && full && !s.only {
			s.app.Say("%s", s.fate(p.dir))
		}
	}
	err = r.run(ctx)
	if isLossy(err) && !r.begun {
		err = r.rescue(ctx, volumes, err)
	}
	err = r.endDropped(err, capture, volumes)
	if err != nil && !isLossReport(err) || target.Running || !r.finished {
		return err
	}
	return errors.Join(err, r.startLeft(ctx, volumeName == "" && !s.only))
}

// mounts gives the paths in the container of what is restored.
func (r *containerRestore) mounts() (all []string) {
	for _, p := range append(slices.Clip(r.placed), r.copied...) {
		all = append(all, p.volume.MountPath)
	}
	return all
}

// startLeft starts the container where an earlier restore, which did not come to its end, had stopped
// it and this one put all of it right.
func (r *containerRestore) startLeft(ctx context.Context, all bool) error {
	name := screen.Printable(r.target.Name)
	left, err := r.app.keeper().TakeLeft(r.target.Target)
	switch {
	case err != nil:
		return err
	case left != nil && !r.only && left.Covers(r.mounts()):
		all = true
	}
	switch {
	case left == nil:
		r.app.Say("Container %s is not running: it was not before.", name)
		return nil
	case all && !left.Ran():
		r.app.Say("Container %s is not running: it was not before.", name)
		return left.Start(ctx)
	case !all:
		r.app.Warn("container %s stays stopped, since this was only a part of what an earlier restore left half done: restore all of it, or start it.", name)
		return left.Release()
	}
	r.app.Say("An earlier restore had stopped container %s: it is started now.", name)
	return left.Start(ctx)
}

// findPlaces finds for each volume where the container has it.
func (r *containerRestore) findPlaces(volumes []*store.Volume) error {
	for _, v := range volumes {
		m := r.target.MountAt(v.MountPath)
		switch {
		case v.MountPath == "":
			return usagef("volume %s was not captured from a container: nothing says where it belongs", screen.Line(v.Name))
		case m == nil:
			return missing(fmt.Errorf("container %s has nothing mounted at %s, where volume %s belongs: make it with that volume (kist show --launch), or choose others with --volume",
				r.target.Name, screen.Line(v.MountPath), screen.Line(v.Name)))
		}
		info, err := containers.Look(*m)
		switch {
		case err != nil:
			r.copied = append(r.copied, volumePlace{volume: v, dir: m.Destination})
		case !info.IsDir():
			return fmt.Errorf("%s is a single file on this machine, %s: restore volume %s with --into, and put the file in its place", m.Destination, m.Source, screen.Line(v.Name))
		default:
			if err := r.app.checkOutside(m.Source, !r.only); err != nil {
				return err
			}
			r.placed = append(r.placed, volumePlace{volume: v, dir: m.Source})
		}
	}
	return nil
}

// warnImage warns where another image would get the data.
func (a *app) warnImage(capture *store.Capture, target *containers.Container) {
	part, err := partOf(capture, target)
	if err != nil {
		return // --volume says which
	}
	was, now := part.Digest, target.Digest()
	if was != "" && was != now {
		a.Warn("container %s runs image %s (%s), and the capture is of %s (%s).", screen.Printable(target.Name), screen.Printable(target.ImageName),
			screen.Printable(now), screen.Printable(part.Image), screen.Printable(was))
	}
}

func (r *containerRestore) dryRun(ctx context.Context) error {
	for _, p := range r.copied {
		r.app.Warn("volume %s can't be looked at on this machine: the container engine would copy it into %s.", screen.Printable(p.volume.Name), screen.Printable(p.dir))
	}
	return r.showChanges(ctx, r.targets(), "container "+r.target.Name)
}

// targets gives the places on this machine.
func (r *containerRestore) targets() (targets []destination) {
	for _, p := range r.placed {
		targets = append(targets, destination{[]*store.Volume{p.volume}, p.dir, true})
	}
	return targets
}

// run builds all volumes, stops the container if it runs, exchanges what is
// there for them, and starts it again.
func (r *containerRestore) run(ctx context.Context) (err error) {
	defer func() {
		switch {
		case r.halted == nil:
		case r.begun && !r.finished:
			err = errors.Join(err, r.halted.Leave())
		default:
			err = errors.Join(err, r.halted.Resume(ctx))
		}
	}()
	if r.only {
		err = r.placeAll(ctx)
	} else {
		err = r.replaceFrom(ctx, 0)
	}
	r.finished = err == nil
	return err
}

// replaceFrom replaces the folders of the places from n on. The later ones are
// replaced while the first is built: so nothing is exchanged before all are
// complete, and the container is only stopped then.
func (r *containerRestore) replaceFrom(ctx context.Context, n int) error {
	if n == len(r.placed) {
		if err := r.halt(ctx); err != nil {
			return err
		}
		return r.copyAll(ctx)
	}
	p := r.placed[n]
	aside, end, err := r.app.beginRestore(p.dir)
	if err != nil {
		return err
	}
	defer end()
	var report *volume.ExtractReport
	done, err := volume.ReplaceFolder(ctx, p.dir, func(ctx context.Context, part *volume.Folder) (err error) {
		// ReplaceFolder flushes, too, but with the container stopped already.
		if report, err = r.build(ctx, p.volume, part); err != nil {
			return fmt.Errorf("volume %s: %w", screen.Line(p.volume.Name), err)
		}
		return r.replaceFrom(ctx, n+1)
	}, volume.ReplaceOptions{DiscardPrevious: r.discard, Aside: aside})
	r.begun = r.begun || done != nil || errors.Is(err, volume.ErrTorn)
	if done != nil {
		restored := &store.FolderRestored{
			Members: report.Members, Bytes: report.Bytes, NotRestored: append(report.NotRestored, done.NotRestored...),
			How: done.How, Previous: done.Previous,
		}
		r.result.add([]*store.Volume{p.volume}, p.dir, restored)
		r.sayReplaced(p.dir, restored)
	}
	if errors.Is(err, volume.ErrNotDiscarded) {
		r.app.Warn("%s", screen.Text(err.Error()))
		return nil // the new data is complete
	}
	return err
}

// build restores a volume, down to the disk.
func (r *containerRestore) build(ctx context.Context, v *store.Volume, part *volume.Folder) (*volume.ExtractReport, error) {
	o, end := r.folderOptions()
	defer end()
	o.Sync, o.Losses = true, r.losses
	report, err := r.r.RestoreInto(ctx, []*store.Volume{v}, part, o)
	return report, explainName(err, false)
}

// halt stops the container if it runs, and notes that it may be half restored until all is in place.
func (r *containerRestore) halt(ctx context.Context) (err error) {
	var folders []string
	for _, p := range r.placed {
		folders = append(folders, paths.Absolute(p.dir))
	}
	r.halted, err = r.app.keeper().HaltToRestore(ctx, r.target.Target, folders, r.mounts())
	return err
}

// placeAll puts single members into place.
func (r *containerRestore) placeAll(ctx context.Context) error {
	if err := r.halt(ctx); err != nil {
		return err
	}
	for _, p := range r.placed {
		done, err := r.putFolder(ctx, []*store.Volume{p.volume}, p.dir, func(o *store.FolderOptions) { o.Losses = r.losses })
		r.begun = r.begun || done != nil
		if err != nil {
			return err
		}
	}
	return r.copyAll(ctx)
}

// copyAll lets the container engine copy volumes in.
func (r *containerRestore) copyAll(ctx context.Context) error {
	for _, p := range r.copied {
		r.begun = true
		r.app.Warn("%s of container %s can't be reached on this machine: the container engine copies volume %s over what is there. That is not all or nothing, and files that the capture has not stay.",
			screen.Printable(p.dir), screen.Printable(r.target.Name), screen.Printable(p.volume.Name))
		if err := r.copyIn(ctx, p); err != nil {
			return fmt.Errorf("volume %s: %w", screen.Line(p.volume.Name), err)
		}
	}
	return nil
}

func (r *containerRestore) copyIn(ctx context.Context, p volumePlace) error {
	if !p.volume.Tar {
		return errors.New("it is no tar stream: restore it with --tar FILE")
	}
	err := r.target.CopyIn(ctx, p.dir, func(w io.Writer) error { return r.writeBut(ctx, p.volume, r.losses, w) })
	if err == nil {
		r.result.Places = append(r.result.Places, place{Volumes: []string{p.volume.Name}, Path: p.dir, Copied: true})
		r.app.Say("Copied volume %s into %s of container %s.", screen.Printable(p.volume.Name), screen.Printable(p.dir), screen.Printable(r.target.Name))
	}
	return err
}
