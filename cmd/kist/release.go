package main

import (
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store"
)

func (a *app) releaseCommand() *cli.Command {
	return &cli.Command{
		Name:      "release",
		Usage:     "end the hold of captures",
		ArgsUsage: "CAPTURE…",
		Description: `
Nothing is retired by that; the next rotation may do it.

Example:
  kist release 20260314t0203z-k7f3`,
		Action: a.opening(1, -1, a.release),
	}
}

func (a *app) release(c *cli.Context, r *repository) error {
	captures, err := a.findAll(c.Context, r, c.Args().Slice())
	if err != nil {
		return err
	}
	if err := r.Release(c.Context, idsOf(captures)); err != nil {
		return err
	}
	return a.printMarked(captures, "Released", "Not held:", func(c *store.Capture) bool {
		was := c.Held
		c.Held = false
		return was
	})
}
