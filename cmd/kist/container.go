package main

import (
	"cmp"
	"errors"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
)

func engineFlag() cli.Flag {
	return &cli.StringFlag{Name: "engine", Usage: "the container engine's `PROGRAM` (or KIST_ENGINE); by default " + engine.Default}
}

// engineProgram gives the container engine's program.
func (a *app) engineProgram(c *cli.Context) string {
	return cmp.Or(c.String("engine"), a.getenv("KIST_ENGINE"), engine.Default)
}

func (a *app) findContainer(c *cli.Context, name string) (*containers.Container, error) {
	e := a.engine(a.engineProgram(c))
	found, err := containers.Find(c.Context, e, name)
	if errors.Is(err, engine.ErrNotFound) {
		names, _ := e.Names(c.Context) // without them it can't be asked
		return nil, &noContainerError{name, cmdline.Meant(name, names)}
	}
	return found, err
}

// checkPaused refuses a container that is frozen, before anything is begun: it can't be stopped as it should.
func checkPaused(target *containers.Container) error {
	if !target.Paused() {
		return nil
	}
	name := screen.Line(target.Name)
	return usagef("container %s is paused, and can't be stopped in order: unpause it (%s unpause %s), or stop it. Nothing was done", name, target.Engine.Name(), name)
}

// noContainerError says that the engine has no container of a name.
type noContainerError struct{ name, meant string }

func (e *noContainerError) Error() string {
	return "no such container: " + screen.Line(e.name) + screen.Line(e.meant)
}

func (e *noContainerError) Unwrap() error { return engine.ErrNotFound }

// keeper gives what stops containers and starts them again.
func (a *app) keeper() *stopped.Keeper {
	return &stopped.Keeper{
		Screen: a.Screen, Folder: func() (string, error) { return places.Notes(a.getenv) }, Engine: a.engine, Upgrade: a.upgradeOf,
	}
}
