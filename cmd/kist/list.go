package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store"
)

func (a *app) listCommand() *cli.Command {
	return &cli.Command{
		Name:  "list",
		Usage: "list the captures, oldest first",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "only captures of `NAME`"},
		},
		Description: `
size is the length of the captured streams, added what the repository grew by.

Example:
  kist list --name seedbank
  kist list --json`,
		Action: a.opening(0, 0, a.list),
	}
}

func (a *app) list(c *cli.Context, r *repository) error {
	captures, damage, err := a.captures(c.Context, r)
	if err != nil {
		return err
	}
	if name := c.String("name"); name != "" {
		captures = slices.DeleteFunc(captures, func(c *store.Capture) bool { return c.Name != name })
	}
	if err := a.printCaptures(captures); err != nil {
		return err
	}
	if damage != nil {
		return &statusError{statusDamage, fmt.Errorf("index files can't be read: the captures named above are not in the list")}
	}
	return nil
}

func (a *app) printCaptures(captures []*store.Capture) error {
	if a.shared.json {
		array := &jsonArray{w: a.stdout}
		for _, c := range captures {
			if err := array.add(withoutSecrets(c)); err != nil {
				return err
			}
		}
		return array.end()
	}
	if len(captures) == 0 {
		a.say("No captures. kist capture makes one.")
		return nil
	}
	lines := []string{"id\tname\tversion\ttaken\t    size\t   added\theld"}
	for _, c := range captures {
		held := "no"
		if c.Held {
			held = "yes"
		}
		lines = append(lines, strings.Join([]string{
			c.ID, printable(c.Name), printable(c.Version), localTime(c.Taken), sizeCell(c.Bytes), sizeCell(c.Added), held,
		}, "\t"))
	}
	return a.table(lines)
}
