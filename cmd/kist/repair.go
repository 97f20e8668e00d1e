package main

import (
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store"
)

func (a *app) repairCommand() *cli.Command {
	return &cli.Command{
		Name:  "repair",
		Usage: "write lost or damaged tables anew",
		Description: `
Tables only serve to find chunks again. They are written anew from the slabs, and
damaged ones are removed then. No capture is touched, and nothing is lost.

Example:
  kist repair`,
		Action: a.opening(0, 0, a.repair),
	}
}

func (a *app) repair(c *cli.Context, r *repository) error {
	report, err := r.RebuildTables(c.Context)
	if err != nil {
		return err
	}
	if err := a.printRepair(report); err != nil {
		return err
	}
	if len(report.Damaged) > 0 {
		return &statusError{statusDamage, fmt.Errorf("%s can't be read; kist verify --full shows what that harms",
			count(len(report.Damaged), "slab", "slabs"))}
	}
	return nil
}

func (a *app) printRepair(report *store.RebuildReport) error {
	damaged := []string{}
	for _, err := range report.Damaged {
		damaged = append(damaged, err.Error())
	}
	if a.shared.json {
		return a.printJSON(struct {
			Slabs    int      `json:"slabs"`
			Replaced []string `json:"replaced_tables"`
			Damaged  []string `json:"damaged_slabs"`
		}{report.Slabs, append([]string{}, report.Replaced...), damaged})
	}
	if report.Slabs == 0 && len(report.Replaced) == 0 && len(damaged) == 0 {
		a.printf("All slabs are in a table: nothing to do.\n")
		return nil
	}
	if report.Slabs > 0 {
		a.printf("%s put into a new table.\n", count(report.Slabs, "slab was", "slabs were"))
	}
	if len(report.Replaced) > 0 {
		a.printf("Damaged and removed: %s.\n", strings.Join(report.Replaced, ", "))
	}
	for _, text := range damaged {
		a.printf("Can't be read: %s.\n", screenText(text))
	}
	return nil
}
