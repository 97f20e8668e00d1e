package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) listCommand() *cli.Command {
	return &cli.Command{
		Name:  "list",
		Usage: "list the captures, oldest first",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "only captures of `NAME`"},
			&cli.BoolFlag{Name: "retired", Usage: "those that are retired and still there, instead of the others"},
			&cli.BoolFlag{Name: "writers", Usage: "who is at work in the repository, instead of captures"},
		},
		Description: `
size is the length of the captured streams, added what the repository grew by.

A retired capture stays restorable until the time shown at least (unless somebody
runs kist reclaim with a shorter --grace), and can be taken back: kist retire
--undo. A writer that was killed is shown as silent half an hour after its last
sign of life, until kist reclaim tidies up; nothing waits for it from then on.

Example:
  kist list --name seedbank
  kist list --json
  kist list --retired
  kist list --writers`,
		Action: a.opening(0, 0, a.list),
	}
}

func (a *app) list(c *cli.Context, r *repository) error {
	name, retired := c.String("name"), c.Bool("retired")
	if c.Bool("writers") {
		if retired || name != "" {
			return usagef("list: --writers lists no captures: it goes with neither --retired nor --name")
		}
		return a.listWriters(c, r)
	}
	l, err := a.listing(c.Context, r)
	if err != nil {
		return err
	}
	captures := slices.DeleteFunc(l.Captures, func(c *store.Capture) bool {
		return name != "" && c.Name != name || retired != (c.Retired != nil)
	})
	if name != "" && len(captures) == 0 && !a.shared.json {
		a.Say("No captures of %q.", name)
	} else if retired {
		err = a.printRetired(captures, r.Grace())
	} else {
		err = a.printCaptures(captures)
	}
	if err != nil {
		return err
	}
	if l.Damage != nil { // said by listing already, before the list
		return &statusError{statusDamage, fmt.Errorf("index files can't be read: the captures named above are not in the list")}
	}
	return nil
}

func (a *app) printCaptures(captures []*store.Capture) error {
	if a.shared.json {
		array := screen.NewArray(a.Out)
		for _, c := range captures {
			if err := array.Add(newShownJSON(c, false)); err != nil {
				return err
			}
		}
		return array.End()
	}
	if len(captures) == 0 {
		a.Say("No captures. kist capture makes one.")
		return nil
	}
	lines := []string{"id\tname\tversion\ttaken\t    size\t   added\theld"}
	for _, c := range captures {
		held := "no"
		if c.Held {
			held = "yes"
		}
		lines = append(lines, strings.Join([]string{
			c.ID, screen.Printable(c.Name), screen.Printable(c.Version), screen.LocalTime(c.Taken), screen.SizeCell(c.Bytes), screen.SizeCell(c.Added), held,
		}, "\t"))
	}
	return a.Table(lines)
}
