package main

import (
	"slices"

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
	m, err := a.findMarkable(c.Context, r, c.Args().Slice())
	if err != nil {
		return err
	}
	defer m.close()
	if len(m.here) > 0 {
		err = r.Release(c.Context, idsOf(m.here))
	}
	if err == nil && len(m.waiting) > 0 {
		err = m.spool.Release(c.Context, idsOf(m.waiting))
	}
	if err != nil {
		return err
	}
	return a.printMarked(slices.Concat(m.here, m.waiting), "Released", "Not held:", func(c *store.Capture) bool {
		was := c.Held
		c.Held = false
		return was
	})
}
