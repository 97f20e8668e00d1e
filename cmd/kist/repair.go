package main

import (
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) repairCommand() *cli.Command {
	return &cli.Command{
		Name:  "repair",
		Usage: "mend what can be mended; say what can't, and give that up when told to",
		Flags: []cli.Flag{
			&cli.BoolFlag{Name: "drop", Usage: "give up what can't be mended: FOR GOOD; look first, without it"},
		},
		Description: `
Reads the whole repository. Lost tables are written anew. Contents that are damaged in
one place and whole in another are taken from there: so capture a service whose
data is still the same once more, and repair again. A place that is damaged is
not relied on by later captures.

What can't be mended is listed, and nothing of it is touched: a copy of the
repository may still have it. With --drop the members listed are taken out of
their captures, and captures that are lost as a whole are no longer missed; what was
exchanged, or put back to an earlier state, is taken as it is.

Example:
  kist repair
  kist repair --drop`,
		Action: a.opening(0, 0, a.repair),
	}
}

func (a *app) repair(c *cli.Context, r *repository) error {
	report, end := a.progress("repair")
	out, err := r.Repair(c.Context, store.RepairOptions{Drop: c.Bool("drop"), Host: hostName(), Progress: report})
	end()
	if err != nil {
		return err
	}
	if err := a.printRepaired(out); err != nil {
		return err
	}
	if !out.Mended() {
		return &statusError{status: statusDamage}
	}
	return nil
}

func (a *app) printRepaired(out *store.Repaired) error {
	if a.JSON {
		return a.PrintJSON(struct {
			*store.Repaired
			Mended bool `json:"mended"`
		}{out, out.Mended()})
	}
	a.printTables(&out.Tables)
	if len(out.Marks) > 0 {
		a.Printf("Could not be read, and removed: %s.\n", strings.Join(out.Marks, ", "))
	}
	if len(out.Healed) > 0 {
		a.Printf("Healed from elsewhere: %s.\n", strings.Join(out.Healed, ", "))
	}
	if lost, changed := lostLines(out), changedLines(out); len(lost)+len(changed) > 0 {
		a.printLost(lost, changed, out.Dropped)
		return nil
	}
	a.Printf("No capture lacks anything.\n")
	return nil
}

func (a *app) printTables(t *store.RebuildReport) {
	if t.Slabs > 0 {
		a.Printf("%s put into a new table.\n", screen.Count(t.Slabs, "slab was", "slabs were"))
	}
	if len(t.Replaced) > 0 {
		a.Printf("Damaged tables, removed: %s.\n", strings.Join(t.Replaced, ", "))
	}
	for _, err := range t.Damaged {
		a.Printf("Can't be put into a table: %s.\n", screen.Line(err.Error()))
	}
}

// lostLines names all that can't be mended and would be dropped.
func lostLines(out *store.Repaired) (lines []string) {
	for _, id := range out.Unreadable {
		lines = append(lines, id+": all of it, its index file can't be read")
	}
	for _, id := range out.Vanished {
		lines = append(lines, id+": all of it, its index file has vanished")
	}
	for _, m := range out.Lost {
		lines = append(lines, harmedText(m))
	}
	return lines
}

// changedLines names captures that are there and are not what this machine knows: dropping
// takes them as they are.
func changedLines(out *store.Repaired) (lines []string) {
	for _, id := range out.Exchanged {
		lines = append(lines, id+": its index file was exchanged for another one; what is there now can be read")
	}
	for _, id := range out.Returned {
		lines = append(lines, id+": it was removed on purpose, and is there again, as if the repository had been put back to an earlier state")
	}
	return lines
}

func (a *app) printLines(head string, lines []string) {
	if len(lines) == 0 {
		return
	}
	a.Printf("\n%s:\n", head)
	for _, line := range lines {
		a.Printf("  %s\n", line)
	}
}

func (a *app) printLost(lost, changed []string, dropped bool) {
	if dropped {
		a.printLines("Given up", lost)
		a.printLines("Not as this machine knew it; kept as it is now", changed)
	} else {
		a.printLines("Can't be mended", lost)
		a.printLines("Not as this machine knew it (--drop keeps it as it is now)", changed)
	}
	if dropped {
		a.Printf("\nAll else is whole. kist reclaim frees what is damaged.\n")
		return
	}
	a.Printf(`
All else is whole. What can be done, the best first:
  1. put the damaged files back, if a copy of the repository has them (kist verify --full names them);
  2. where a service still has the same data: kist capture, and kist repair again;
  3. kist repair --drop gives up what is listed here, for good.
`)
}
