package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/objects"
)

func (a *app) repairCommand() *cli.Command {
	return &cli.Command{
		Name:  "repair",
		Usage: "mend what can be mended; say what can't, and give that up when told to",
		Flags: append([]cli.Flag{
			&cli.BoolFlag{Name: "drop", Usage: "give up what can't be mended: FOR GOOD; look first, without it"},
			&cli.StringFlag{Name: "from", Usage: "take what is damaged or gone from the second place, or the copy, in `OTHER`"},
			limitRateFlag(),
		}, otherFlags()...),
		Description: `
Reads the whole repository. What parity or a second copy tells of a damaged file, the file is put anew with,
under its name; so is an index file that is gone, where its second copy is there and it was
not removed on purpose. Damaged key slots and kist.json are left to you, with exit
status 3: so there is no moment without them. Lost tables are written anew. Contents that are damaged in
one place and whole in another are taken from there: so capture a service whose
data is still the same once more, and repair again. A place that is damaged is
not relied on by later captures.

With --from, what is damaged or gone here is taken from OTHER, a second place of the
repository or a copy of its folder: slabs that are gone come back, damaged contents come
into new slabs, and index files that can't be read are put anew, and so is kist.json. Everything is held against its
seals, and nothing is written in OTHER but a note that somebody reads there. It is opened as kist
replicate opens it. Where each of two has damage, repair both, each from the other.
Key slots, holds, retirements and settings are those of each place, and are not taken.

What can't be mended is listed, and nothing of it is touched: a copy of the
repository may still have it. With --drop the members listed are taken out of
their captures, and captures that are lost as a whole are no longer missed; what was
exchanged, or put back to an earlier state, is taken as it is.

Example:
  kist repair
  kist repair --from /mnt/offsite/kist
  kist repair --drop`,
		Action: a.limiting(a.repairing),
	}
}

// repairing repairs the repository, which does not open without kist.json: where another place has it, that comes first.
func (a *app) repairing(c *cli.Context) error {
	repair := a.opening(0, 0, a.repair)
	err := repair(c)
	var told *advised
	if c.String("from") == "" || !errors.As(err, &told) {
		return err
	}
	if _, lost := told.err.(*manifestError); !lost {
		return err
	}
	if failed := a.bringManifest(c, c.String("from")); failed != nil {
		return errors.Join(err, failed)
	}
	return repair(c)
}

// bringManifest puts kist.json of another place into the repository.
func (a *app) bringManifest(c *cli.Context, from string) error {
	place, err := a.repositoryPlace()
	if err != nil {
		return err
	}
	secret, _, err := a.openingSecret(c.Context)
	if err != nil {
		return err
	}
	defer wipe(secret)
	other, err := a.openOther(c, from, secret)
	if err != nil {
		return err
	}
	defer other.Close()
	w := a.waitFor(place, a.patience.most, a.patience.lost)
	defer w.stop()
	at, err := leaveBehind(c.Context, func() (*where.Opened, error) { return place.Open(c.Context, a.opens(w)) })
	if err != nil {
		return err
	}
	defer letGo(at)
	put, err := other.BringManifest(c.Context, at.Objects)
	if put {
		a.Tell("Put back from there: %s.\n", anchor)
	}
	return err
}

func (a *app) repair(c *cli.Context, r *repository) error {
	o := store.RepairOptions{Drop: c.Bool("drop"), Host: hostName()}
	if path := c.String("from"); path != "" {
		if r.isAt(path) {
			return usagef("repair: --from %s is the repository itself", path)
		}
		other, err := a.openOther(c, path, r.secret)
		if err != nil {
			return err
		}
		defer other.Close()
		o.From = other.Repository
	}
	if o.Drop { // what seems to be gone may only not show
		lags, err := r.at.Lags(c.Context)
		if lags {
			err = fmt.Errorf("nothing is given up: %w", objects.ErrLate)
		}
		if err != nil {
			return err
		}
	}
	report, end := a.progress("repair")
	o.Progress = report
	ctx, cancel := a.untilLate(c.Context)
	defer cancel()
	out, err := r.Repair(ctx, o)
	end()
	if errors.Is(err, objects.ErrLate) {
		return fmt.Errorf("stopped, so that nothing is given up that is there: %w", objects.ErrLate)
	}
	if err != nil {
		return err
	}
	if err := a.printRepaired(out, c.String("from")); err != nil {
		return err
	}
	if !out.Mended() {
		return &statusError{status: statusDamage}
	}
	return nil
}

func (a *app) printRepaired(out *store.Repaired, from string) error {
	if a.JSON {
		return a.PrintJSON(struct {
			*store.Repaired
			Mended bool `json:"mended"`
		}{out, out.Mended()})
	}
	a.printTables(&out.Tables)
	if len(out.Renewed) > 0 {
		a.Printf("Damaged or gone, and put anew as they were: %s.\n", strings.Join(out.Renewed, ", "))
	}
	a.printTaken(out, from)
	if len(out.Marks) > 0 {
		a.Printf("Could not be read, and removed: %s.\n", strings.Join(out.Marks, ", "))
	}
	whole, part := healed(out)
	if len(whole) > 0 {
		a.Printf("Healed from elsewhere: %s.\n", strings.Join(whole, ", "))
	}
	if len(part) > 0 {
		a.Printf("Some of what these lack was found elsewhere, and the rest is listed below: %s.\n", strings.Join(part, ", "))
	}
	if lost, changed := lostLines(out), changedLines(out); len(lost)+len(changed) > 0 {
		a.printLost(lost, changed, out.Dropped)
		if len(out.Offered) > 0 && !out.Dropped {
			a.Printf("\nOf these %s has: %s. kist replicate --from %s and their names copies them.\n", screen.Printable(from), strings.Join(out.Offered, ", "), screen.Printable(from))
		}
		a.printLeft(out.Left)
		return nil
	}
	a.Printf("No capture lacks anything.\n")
	a.printLeft(out.Left)
	return nil
}

// healed parts captures that were healed from those of which some was, and some is lost.
func healed(out *store.Repaired) (whole, part []string) {
	for _, id := range out.Healed {
		if slices.ContainsFunc(out.Lost, func(l store.Harmed) bool { return l.Capture == id }) {
			part = append(part, id)
		} else {
			whole = append(whole, id)
		}
	}
	return whole, part
}

// printLeft names what repairing leaves to people, so that there is no moment without it: what opens the repository.
func (a *app) printLeft(left []store.Damage) {
	for i := range left {
		a.printDamage(&left[i], i+1)
	}
	if len(left) > 0 {
		a.Printf("\nThis is left to you: of what opens the repository, kist repair replaces nothing.\n")
	}
}

// printTaken says what came from another place, and what is damaged there.
func (a *app) printTaken(out *store.Repaired, from string) {
	for _, note := range out.Notes {
		a.Printf("Note: %s.\n", noteText(note))
	}
	if len(out.PutBack) > 0 {
		a.Printf("Put back from there: %s.\n", screen.Count(len(out.PutBack), "slab", "slabs"))
	}
	if out.Taken > 0 {
		a.Printf("Taken from there into new slabs: %s.\n", screen.Count(out.Taken, "chunk", "chunks"))
	}
	if len(out.Restored) > 0 {
		a.Printf("Index files from there: %s.\n", strings.Join(out.Restored, ", "))
	}
	for _, d := range out.There {
		a.Printf("Damaged in %s: %s: %s.\n", screen.Printable(from), screen.Printable(d.Object), screen.Line(d.Problem))
	}
	if len(out.There) > 0 {
		a.Printf("kist repair there, with --from for this place, mends what is whole here.\n")
	}
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
	for _, name := range out.Amendments {
		lines = append(lines, name+": what it amended; an earlier index file of the capture counts")
	}
	for _, name := range out.Own {
		lines = append(lines, name+": "+ownLost(name))
	}
	for _, m := range out.Lost {
		lines = append(lines, harmedText(m))
	}
	return lines
}

// ownLost says what is given up with a mark that a place has about itself.
func ownLost(name string) string {
	if isSettings(name) {
		return "settings of this place: there is no parity, and are no deltas, until kist settings --parity and --deltas set them"
	}
	return "which place of the repository this is; if it is a second one, kist setup --replica-of OTHER --again makes it that again, and giving this up makes it the first"
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
	a.Tell(`
All else is whole. What can be done, the best first:
  1. kist repair --from %s, if that has what is damaged here;
  2. where a service still has the same data: kist capture --reread, and kist repair again;
  3. kist repair --drop gives up what is listed here, for good.
`, a.otherPlace("the second place, or a copy of the folder"))
}
