package main

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) verifyCommand() *cli.Command {
	return &cli.Command{
		Name:      "verify",
		Usage:     "find out whether everything is there and unharmed",
		ArgsUsage: "[CAPTURE…]",
		Flags: append([]cli.Flag{
			&cli.StringFlag{Name: "against", Usage: "compare with the second place, or the copy, in `OTHER`, and no more"},
			&cli.BoolFlag{Name: "full", Usage: "open every frame and rebuild the digest of every capture"},
			&cli.StringFlag{Name: "sample", Usage: "open that `SHARE` of the frames, as 5%, chosen at random"},
			&cli.StringSliceFlag{Name: "head", Usage: "prove that the captures of this `TEXT`, from kist show --head, are there as they were, or were removed on purpose"},
			metricsFlag(),
		}, otherFlags()...),
		Description: `
Without a flag, index files, tables and the table at the end of every slab are
opened: what is missing or cut short shows, and what changed within does not.
Damage is listed with the captures and members that it harms, and the exit status is 3.
That it was verified, and how it ended, is kept in the repository: kist status tells it.

What this machine knows of the repository counts, too: captures that it saw and that are
gone without having been removed by kist, or that were exchanged. If another
repository lies in the place of the one that this machine knows by its id, with
another root key, every command stops: it was replaced or forged. If it was you who replaced it,
--accept-new-root takes it as it is, and forgets what was known of the one before.

With --against it tells which captures are in this place, in OTHER, and in both, and whether what is
in both is the same: index files by their hashes, slabs by their lengths and their own tables, so
that contents which were overwritten don't show; with --full all of both is opened. What is damaged in either is named. Nothing is kept of that.

Example:
  kist verify
  kist verify --sample 5%
  kist verify --full seedbank@latest
  kist verify --against /mnt/offsite/kist
  kist verify --head 20260314t0203z-k7f3:0f5c2d6b8e91a34771c0aa52f19e84d3`,
		Action: a.metering(a.verify),
	}
}

func (a *app) verify(c *cli.Context) error {
	o := store.VerifyOptions{Full: c.Bool("full"), Head: c.StringSlice("head"), Keep: true, Host: hostName()}
	if len(o.Head) > 0 && c.NArg() > 0 {
		return usagef("verify: --head is about all captures: name none")
	}
	if s := c.String("sample"); s != "" {
		if o.Full {
			return usagef("--full and --sample are both given")
		}
		var err error
		if o.Sample, err = cmdline.Share("sample", s); err != nil {
			return err
		}
	}
	if c.IsSet("against") && (c.NArg() > 0 || o.Sample > 0 || len(o.Head) > 0) {
		return usagef("verify: with --against goes --full alone")
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	if path := c.String("against"); path != "" {
		return a.verifyAgainst(c, r, path)
	}
	if o.Captures, err = a.captureIDs(c.Context, r, c.Args().Slice()); err != nil {
		return err
	}
	progress, end := a.progress("verifying")
	o.Progress = progress
	report, err := r.Verify(c.Context, o)
	end()
	if errors.Is(err, store.ErrBadOptions) && len(o.Head) > 0 {
		err = fmt.Errorf("%w (kist show --head prints one)", err)
	}
	if err != nil {
		return err
	}
	a.metrics.Set("damaged_objects", "Objects that the last verification found damaged or missing.", float64(len(report.Damage)))
	a.metrics.Set("captures", "Captures that the last verification looked at.", float64(report.Captures))
	a.metrics.Set("read_bytes", "Bytes of objects that the last verification read.", float64(report.Checked))
	if err := a.printReport(report, o); err != nil {
		return err
	}
	if report.OK {
		return nil
	}
	if lags, err := r.at.Lags(c.Context); lags && err == nil {
		a.Warn("%s shows what was a while ago, so that what it does not show yet counts as missing here: see that all machines use a gateway that is up to date, and verify in full by that one before anything is given up", r.at)
	}
	return &statusError{status: statusDamage}
}

// captureIDs gives the ids that selectors mean. One whose index file is damaged is left
// for Verify to look at.
func (a *app) captureIDs(ctx context.Context, r *repository, selectors []string) ([]string, error) {
	if len(selectors) == 0 {
		return nil, nil
	}
	l, err := r.List(ctx)
	if err != nil {
		return nil, err
	}
	var ids []string
	for _, s := range selectors {
		c, err := a.meant(l, s)
		var damage *store.DamagedError
		switch {
		case err == nil:
			ids = append(ids, c.ID)
		case errors.As(err, &damage) && len(damage.Captures) == 1 && strings.HasPrefix(damage.Captures[0], s):
			ids = append(ids, damage.Captures[0])
		default:
			return nil, err
		}
	}
	return ids, nil
}

func (a *app) printReport(r *store.Report, o store.VerifyOptions) error {
	if a.JSON {
		return a.PrintJSON(r)
	}
	opened := "index files, tables and the table of every slab were opened; the contents were not"
	switch {
	case o.Full:
		opened = "every frame was opened, and every digest rebuilt"
	case o.Sample > 0:
		opened = fmt.Sprintf("%g%% of the frames were opened, chosen at random", 100*o.Sample)
	}
	a.Tell("Verified %s: %s (%s read).\n", screen.Count(r.Captures, "capture", "captures"), opened, screen.Size(uint64(r.Checked)))
	for _, note := range r.Notes {
		a.Tell("Note: %s.\n", noteText(note))
	}
	if r.OK {
		a.Printf("No damage was found.\n")
		return nil
	}
	for i := range r.Damage {
		if i == maxDamageShown {
			a.Printf("\nand %s more; kist verify --json lists them all\n", screen.Count(len(r.Damage)-i, "damaged object", "damaged objects"))
			break
		}
		a.printDamage(&r.Damage[i], i+1)
	}
	mendable := 0
	for i := range r.Damage {
		if r.Damage[i].Mendable {
			mendable++
		}
	}
	text := screen.Count(len(r.Damage), "object is damaged", "objects are damaged")
	switch {
	case mendable == len(r.Damage):
		a.Printf("\n%s, mendable: kist repair.\n", text)
		return nil
	case mendable > 0:
		a.Printf("\n%s, %d of them mendable.\n", text, mendable)
	default:
		a.Printf("\n%s.\n", text)
	}
	if text := a.mendFrom(); text != "" {
		a.Printf("%s\n", text)
	}
	return nil
}

// maxDamageShown is how many damages are shown; JSON has all.
const maxDamageShown = 100

// maxHarmedShown is how many captures, and how many members, are listed with a damage; JSON has more.
const maxHarmedShown = 20

func (a *app) printDamage(d *store.Damage, number int) {
	a.Printf("\nDamage %d: %s\n", number, screen.Printable(d.Object))
	a.Tell("  what:   %s\n", screen.Text(problemText(d)))
	if d.Standing > 0 {
		a.Tell("          It is a base: %s elsewhere, stored as what differs from it, can't be read without it.\n", screen.Count(d.Standing, "frame", "frames"))
	}
	if len(d.Captures) > 0 {
		a.Tell("  harms:  %s\n", firstOf(d.Captures, maxHarmedShown))
	}
	for i, m := range d.Members {
		if i == maxHarmedShown {
			a.Printf("          and %s\n", screen.Count(len(d.Members)-i+d.More, "member more", "members more"))
			break
		}
		a.Printf("          %s\n", harmedText(m))
	}
	a.Tell("  to do:  %s\n", advice(d))
}

// problemText says what is wrong, without the object's name before it.
func problemText(d *store.Damage) string {
	text := strings.TrimPrefix(d.Problem, "slab ")
	return strings.TrimLeft(strings.TrimPrefix(text, d.Object), ":, ")
}

func harmedText(m store.Harmed) string {
	if m.Path == "" {
		return fmt.Sprintf("%s, volume %s: all of it", m.Capture, screen.Printable(m.Volume))
	}
	return fmt.Sprintf("%s, volume %s: %s", m.Capture, screen.Printable(m.Volume), screen.Printable(m.Path))
}

// advice says what can be done about a damage.
func advice(d *store.Damage) string {
	if d.Mendable {
		return "kist repair mends it; nothing is lost."
	}
	kind, _, _ := strings.Cut(d.Object, "/")
	switch kind {
	case anchor, "keyslots":
		if strings.Contains(d.Problem, "second copy") {
			return "put a copy of its second copy in its place; nothing is lost."
		}
		if kind == anchor {
			return "put it back from a copy of the repository; it never changes."
		}
		return "kist passphrase add makes another key slot, kist passphrase remove takes this one away."
	case "tables":
		return "kist repair writes the table anew; nothing is lost."
	case "captures":
		if strings.Contains(d.Problem, "its second copy is there") {
			return "kist repair puts it back from its second copy, if that is whole."
		}
		return "put the file back if a copy of the repository has it; other captures are not harmed by it. kist repair tells more."
	case "place":
		return adviceOwn(d)
	case "holds", "retired", "leases", "condemned", "rehearsed", "verified":
		return "kist repair removes the mark; nothing is lost."
	}
	if len(d.Captures) == 0 {
		return "kist repair, then kist reclaim: no capture needs it."
	}
	return "put the file back if a copy of the repository has it; all other members still restore (kist restore --only). kist repair tells more."
}

// adviceOwn is advice about a mark that says which place the repository is, or how it is set up.
func adviceOwn(d *store.Damage) string {
	switch {
	case !strings.Contains(d.Problem, "nothing else tells"):
		return "kist repair removes the mark; nothing is lost."
	case isSettings(d.Object):
		return setAgain + "."
	}
	return "if this is a second place, kist setup --replica-of OTHER --again makes it one again, and kist repair removes the mark; if it is the first, kist repair --drop does."
}

// isSettings tells whether an object has settings of a place.
func isSettings(object string) bool {
	return strings.HasSuffix(strings.TrimSuffix(object, ".again"), ".settings")
}
