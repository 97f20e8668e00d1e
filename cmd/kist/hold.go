package main

import (
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
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
release ends that. kist capture --hold holds a capture from the start. What is held
is held once more only for another --note.

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
	holds, err := r.Holds(c.Context)
	if err != nil {
		return err
	}
	note := c.String("note")
	toHold := slices.DeleteFunc(slices.Clone(captures), func(c *store.Capture) bool { return isHeldFor(holds[c.ID], note) })
	if len(toHold) > 0 {
		if err := r.Hold(c.Context, idsOf(toHold), markOptions(note)); err != nil {
			return err
		}
	}
	return a.printMarked(captures, "Held", "Held already:", func(c *store.Capture) bool {
		c.Held = true
		return slices.Contains(toHold, c)
	})
}

// isHeldFor tells whether one more hold would add nothing: one with the same note is there, or, for none, any. That of an
// upgrade ends with it, and says nothing for who wants a capture kept; nor does one that can't be read.
func isHeldFor(holds []store.Hold, note string) bool {
	return slices.ContainsFunc(holds, func(h store.Hold) bool {
		return note != "" && h.Reason == note || note == "" && h.Host+h.Reason != "" && !upgrade.IsHoldReason(h.Reason)
	})
}
