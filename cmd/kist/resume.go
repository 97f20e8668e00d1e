package main

import (
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
			return a.keeper().StartLeft(c.Context)
		},
	}
}
