package main

import (
	"cmp"
	"context"
	"errors"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) replicateCommand() *cli.Command {
	return &cli.Command{
		Name:      "replicate",
		Usage:     "copy captures to a second place of the repository, or from it",
		ArgsUsage: "[CAPTURE…]",
		Flags: append([]cli.Flag{
			&cli.StringFlag{Name: "to", Usage: "copy to the place in `OTHER` (or KIST_REPLICA)"},
			&cli.StringFlag{Name: "from", Usage: "copy from the place in `OTHER` to this one"},
			&cli.BoolFlag{Name: "dry-run", Usage: "tell what would be copied, and change nothing"},
			limitRateFlag(),
			metricsFlag(),
		}, otherFlags()...),
		Description: `
OTHER is a second place of the same repository, made by kist setup --replica-of. What it lacks
is copied: all captures, or those that are named; none twice. Everything is held against its
seals on the way: what is damaged where it is read is named, what needs it is not copied, all
else is, and the exit status is 3. It may be stopped at any moment and run again, and run beside
anything else in both places.

Each place has key slots, holds and a retention of its own: retire and reclaim there as you
like. What is retired here is not copied, and what was removed there does not come back,
unless it is named. A capture that is there and was moved to other slabs here is not sent again.
What lies in OTHER already, of its full length, is relied on and not opened: kist verify --full there, or
with --against, tells whether it is whole.

With --from a machine pulls to which the first one has no access: kist there needs no more
than to read OTHER. It may be mounted read-only; what is reclaimed there meanwhile
is then missed, and the next run copies the rest. Run it both ways where both places take captures.

OTHER is opened by --other-key-file or --other-passphrase-file, else by what opened this place,
else by a passphrase that is asked for.

Example:
  kist replicate --to /mnt/offsite/kist --dry-run
  kist replicate --to /mnt/offsite/kist --limit-rate 20MiB
  kist replicate --to /mnt/offsite/kist seedbank@latest
  kist replicate --repository /srv/kist --from /mnt/hazel/kist`,
		Action: a.limiting(a.metering(a.replicate)),
	}
}

func (a *app) replicate(c *cli.Context) error {
	if c.IsSet("to") && c.IsSet("from") {
		return usagef("replicate: --to and --from are both given: run it once for each")
	}
	path := cmp.Or(c.String("from"), c.String("to"), a.getenv("KIST_REPLICA"))
	if place := c.Args().First(); !c.IsSet("to") && !c.IsSet("from") && files.IsFolder(place) && (path == "" || filepath.Base(place) != place) {
		return usagef("replicate: %s is a folder, where captures are named; did you mean --to %[1]s?", screen.Line(place))
	}
	if path == "" {
		return usagef("replicate: where is the second place? Give --to OTHER or --from OTHER, or set KIST_REPLICA")
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	other, err := a.openOther(c, path, r.secret)
	if err != nil {
		return err
	}
	defer other.Close()
	from, to := r, other
	if c.IsSet("from") {
		from, to = other, r
	}
	return a.copyCaptures(c, from, to)
}

func (a *app) copyCaptures(c *cli.Context, from, to *repository) error {
	o := store.ReplicateOptions{DryRun: c.Bool("dry-run"), Host: hostName(), Where: to.at.Full()}
	if c.NArg() > 0 {
		found, err := a.findAll(c.Context, from, c.Args().Slice())
		if err != nil {
			return err
		}
		for _, one := range found {
			o.Captures = append(o.Captures, one.ID)
		}
	}
	progress, end := a.progress("copying")
	o.Progress = progress
	out, err := from.Replicate(c.Context, to.Repository, o)
	end()
	if out != nil && !o.DryRun {
		a.metrics.Set("sent_bytes", "Bytes that the last run copied to the other place.", float64(out.Bytes))
		a.metrics.Set("sent_captures", "Captures that the last run copied to the other place.", float64(len(out.Sent)))
	}
	if err != nil {
		if c.IsSet("from") {
			to = from
		}
		return a.stoppedReplicate(out, namingOther(err, to))
	}
	if a.JSON {
		err = a.PrintJSON(out)
	} else {
		a.printReplicated(out, o.DryRun)
	}
	if err != nil {
		return err
	}
	return replicatedStatus(out)
}

// stoppedReplicate says what was done before it failed.
func (a *app) stoppedReplicate(out *store.Replicated, err error) error {
	if out != nil && out.Bytes > 0 {
		a.Say("So far %s copied, with %s; the next run goes on from there.", screen.Size(uint64(out.Bytes)), screen.Count(len(out.Sent), "whole capture", "whole captures"))
	}
	if errors.Is(err, context.Canceled) {
		// Not wrapped: some of it is done, and the rest is not.
		return errors.New("interrupted; what arrived stays. Run kist replicate again to go on")
	}
	return err
}

// replicatedStatus is the exit status.
func replicatedStatus(out *store.Replicated) error {
	switch {
	case len(out.Damage) > 0:
		return &statusError{status: statusDamage}
	case !out.Complete():
		return &statusError{status: statusFailed}
	}
	return nil
}

func (a *app) printReplicated(out *store.Replicated, plan bool) {
	sent, amended := "Copied", "Amended there"
	if plan {
		sent, amended = "Would copy", "Would amend there"
	}
	for _, id := range out.Sent {
		a.Tell("%s capture %s.\n", sent, id)
	}
	for _, id := range out.Amended {
		a.Tell("%s capture %s.\n", amended, id)
	}
	for _, one := range out.Left {
		a.Tell("Left out capture %s: %s.\n", one.ID, one.Why)
	}
	if len(out.PutBack) > 0 {
		again := "Gone there, and copied again"
		if plan {
			again = "Gone there, and would be copied again"
		}
		a.Tell("%s: %s.\n", again, screen.Count(len(out.PutBack), "slab", "slabs"))
	}
	for _, id := range out.Later {
		a.Tell("Not copied yet: capture %s. What it needs is being removed there: kist reclaim there, and then again.\n", id)
	}
	for _, id := range out.Differ {
		a.Tell("Not copied: capture %s. Another one of that id is there: nothing was done to either.\n", id)
	}
	for _, d := range out.Damage {
		where, harms := "here", "not copied for it"
		if d.There {
			where, harms = "in the place that is copied to", "not copied for it, or harmed there"
		}
		a.Tell("Damaged %s: %s: %s\n", where, screen.Printable(d.Object), screen.Printable(d.Problem))
		for _, id := range d.Captures {
			a.Tell("  %s: capture %s\n", harms, id)
		}
	}
	for _, note := range out.Notes {
		a.Tell("Note: %s.\n", screen.Printable(note))
	}
	a.Tell("%s %s in %s: %s. %s there already.\n", sent, screen.Count(len(out.Sent), "capture", "captures"), screen.Count(out.Slabs, "slab", "slabs"),
		screen.Size(uint64(out.Bytes)), screen.Count(out.Same, "capture was", "captures were"))
}
