package main

import (
	"fmt"
	"os"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
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

// printMarked says of each capture whether it was marked, or was so already. mark
// brings the capture up to date, and tells which.
func (a *app) printMarked(captures []*store.Capture, done, already string, mark func(*store.Capture) bool) error {
	array := screen.NewArray(a.Out)
	for _, c := range captures {
		word := already
		if mark(c) {
			word = done
		}
		if !a.shared.json {
			a.Printf("%s %s\n", word, captureText(c))
			continue
		}
		if err := array.Add(withoutSecrets(c)); err != nil {
			return err
		}
	}
	if a.shared.json {
		return array.End()
	}
	return nil
}

// captureText names a capture for people.
func captureText(c *store.Capture) string {
	return fmt.Sprintf("%s (%s%s, taken %s).", c.ID, screen.Printable(c.Name), withVersion(c), screen.LocalTime(c.Taken))
}

func idsOf(captures []*store.Capture) []string {
	ids := make([]string, len(captures))
	for i, c := range captures {
		ids[i] = c.ID
	}
	return ids
}

func markOptions(note string) store.MarkOptions {
	return store.MarkOptions{Host: hostName(), Reason: note}
}

// hostName names this machine. It is a label, and may be missing.
func hostName() string {
	host, _ := os.Hostname()
	return strings.ToValidUTF8(host, "_")
}
