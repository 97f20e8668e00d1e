package main

import (
	"errors"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
)

func (a *app) resumeCommand() *cli.Command {
	return &cli.Command{
		Name:  "resume",
		Usage: "start containers that a killed capture or restore left stopped",
		Description: `
Every command does this before all else. This one does nothing but that, and needs
no repository: it is for service managers.

Example:
  kist resume`,
		Action: func(c *cli.Context) error {
			if err := cmdline.WantArgs(c, 0, 0); err != nil {
				return err
			}
			return a.resume(c)
		},
	}
}

// resumedJSON is what became of a container, as scripts get it.
type resumedJSON struct {
	Container string `json:"container"`
	Outcome   string `json:"outcome"` // started, left-stopped or failed
}

func (a *app) resume(c *cli.Context) error {
	k := a.keeper()
	if !a.shared.json {
		return k.StartLeft(c.Context)
	}
	all := []resumedJSON{}
	k.Report = func(container, outcome string) { all = append(all, resumedJSON{container, outcome}) }
	err := k.StartLeft(c.Context)
	return errors.Join(a.PrintJSON(all), err)
}
