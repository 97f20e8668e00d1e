package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
)

// besideError says that a running container writes to what is to be exchanged.
type besideError struct {
	container string
	has       engine.Mount
	engine    string // its program
}

func (e *besideError) Error() string {
	return fmt.Sprintf("container %s runs and has the same data mounted at %s (%s): it would go on writing into what is put aside. Nothing was changed: stop it first (%s stop %s)",
		screen.Line(e.container), screen.Line(e.has.Destination), screen.Line(e.has.Source), e.engine, screen.Line(e.container))
}

// checkBeside fails with a besideError where a running container, but for those of some ids, has mounted to write what is to be
// exchanged: it would go on writing into what was put aside.
func checkBeside(ctx context.Context, e *engine.Engine, mounts []engine.Mount, but ...string) error {
	running, err := e.RunningContainers(ctx)
	if err != nil {
		return fmt.Errorf("looking whether another running container has the same volumes, and nothing was changed: %w", err)
	}
	for _, c := range running {
		if slices.Contains(but, c.ID) {
			continue
		}
		for _, theirs := range c.Mounts {
			if !theirs.RW {
				continue // it writes nothing, as what watches a whole machine
			}
			for _, m := range mounts {
				if sharesPlace(m, theirs) {
					return &besideError{c.Name, theirs, e.Name()}
				}
			}
		}
	}
	return nil
}

// checkDependents fails where other containers depend on the one of an id: they stay bound to it when another takes its place.
func checkDependents(ctx context.Context, e *engine.Engine, c *engine.Container) error {
	dependents, err := e.Dependents(ctx, c.ID)
	if err != nil {
		return fmt.Errorf("looking whether other containers depend on %s, and nothing was changed: %w", screen.Line(c.Name), err)
	}
	if len(dependents) == 0 {
		return nil
	}
	var names []string
	for _, d := range dependents {
		names = append(names, screen.Line(d.Name))
	}
	return fmt.Errorf("container %s depends on %s, whose network or life it shares: it would stay bound to the container that is set aside, and the engine would not remove that. Nothing was changed: remove it first, and make it again afterwards; or --accept-dependents does it all the same",
		strings.Join(names, ", "), screen.Line(c.Name))
}

// checkMounted fails where a running container has mounted to write what is in a folder, as restores into containers do, and
// warns where it has what the folder lies in. Where no engine is there, nothing is looked at.
func (s *restoring) checkMounted(ctx context.Context, dir string) error {
	e := s.app.engine(s.program)
	at := realPlace(paths.Absolute(dir))
	running, err := e.RunningContainers(ctx)
	if errors.Is(err, exec.ErrNotFound) || errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		s.app.Warn("whether a running container writes to %s could not be seen: %s", screen.Printable(dir), screen.Text(err.Error()))
		return nil
	}
	for _, c := range running {
		for _, m := range c.Mounts {
			theirs := realPlace(m.Source)
			switch {
			case !m.RW || theirs == "" || at == "":
			case paths.Within(at, theirs):
				return fmt.Errorf("container %s runs and has %s mounted at %s: it would go on writing into what is put aside. Nothing was changed: stop it first (%s stop %s), or restore into it (--container %s --stop)",
					screen.Line(c.Name), screen.Line(theirs), screen.Line(m.Destination), e.Name(), screen.Line(c.Name), screen.Line(c.Name))
			case paths.Within(theirs, at):
				s.app.Warn("container %s runs and has %s mounted at %s, in which %s lies: if it writes there, it goes on writing into what is put aside.",
					screen.Printable(c.Name), screen.Printable(theirs), screen.Printable(m.Destination), screen.Printable(dir))
			}
		}
	}
	return nil
}

// sharesPlace tells whether two mounts are of one volume, or one's folder lies within the other's.
func sharesPlace(a, b engine.Mount) bool {
	if a.Type == "volume" && b.Type == "volume" && a.Name != "" && a.Name == b.Name {
		return true
	}
	one, two := realPlace(a.Source), realPlace(b.Source)
	return one != "" && two != "" && paths.Overlap(one, two)
}

// realPlace gives where a path of this machine leads, or "" for what is none, as of a mount without a source.
func realPlace(path string) string {
	if !filepath.IsAbs(path) {
		return ""
	}
	return paths.ResolvePlace(path)
}

// checkCreate fails where a container that is made would share data with a running one, or, under
// another name than the captured one's, a volume that is there.
func checkCreate(ctx context.Context, e *engine.Engine, was, name string, mounts []engine.Mount) error {
	if err := checkBeside(ctx, e, mounts); err != nil || was == name {
		return err
	}
	for _, m := range mounts {
		if m.Type != "volume" || m.Name == "" {
			continue
		}
		has, err := e.HasVolume(ctx, m.Name)
		if err != nil {
			return err
		}
		if has {
			return fmt.Errorf("volume %s is there already: container %s would share it with container %s. Nothing was made: make it under its own name (--container %s), or restore into a folder (--into)",
				screen.Line(m.Name), screen.Line(name), screen.Line(was), screen.Line(was))
		}
	}
	return nil
}

// exchanged gives the mounts of the container that the restore changes.
func (r *containerRestore) exchanged() (mounts []engine.Mount) {
	for _, places := range [][]volumePlace{r.placed, r.copied} {
		for _, p := range places {
			mounts = append(mounts, *r.target.MountAt(p.volume.MountPath))
		}
	}
	return mounts
}
