package main

import (
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store"
)

func (a *app) holdCommand() *cli.Command {
	return &cli.Command{
		Name:      "hold",
		Usage:     "keep captures from ever being retired",
		ArgsUsage: "CAPTURE…",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "note", Usage: "`TEXT` that says why, for people"},
		},
		Description: `
A held capture is not retired, neither by its id nor by a rotation, until kist
release ends that. kist capture --hold holds a capture from the start.

Example:
  kist hold seedbank@latest --note "before the move to hazel"`,
		Action: a.opening(1, -1, a.hold),
	}
}

func (a *app) hold(c *cli.Context, r *repository) error {
	captures, err := a.findAll(c.Context, r, c.Args().Slice())
	if err != nil {
		return err
	}
	if err := r.Hold(c.Context, idsOf(captures), markOptions(c.String("note"))); err != nil {
		return err
	}
	return a.printMarked(captures, "Held", "Held already:", func(c *store.Capture) bool {
		was := c.Held
		c.Held = true
		return !was
	})
}
