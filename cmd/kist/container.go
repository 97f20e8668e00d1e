package main

import (
	"cmp"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
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
	return containers.Find(c.Context, a.engine(a.engineProgram(c)), name)
}

// keeper gives what stops containers and starts them again.
func (a *app) keeper() *stopped.Keeper {
	return &stopped.Keeper{Screen: a.Screen, Folder: func() (string, error) { return places.Notes(a.getenv) }, Engine: a.engine}
}
