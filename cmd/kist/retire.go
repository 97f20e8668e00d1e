package main

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) retireCommand() *cli.Command {
	return &cli.Command{
		Name:      "retire",
		Usage:     "mark captures as no longer wanted, one by one or by a rotation",
		ArgsUsage: "CAPTURE… or rules such as --days 7 --weeks 5 --months 12",
		Flags: []cli.Flag{
			&cli.IntFlag{Name: "last", Usage: "the newest `N` captures stay"},
			&cli.IntFlag{Name: "days", Usage: "the newest capture of each of the latest `N` days stays"},
			&cli.IntFlag{Name: "weeks", Usage: "the same for `N` weeks, which begin on Mondays"},
			&cli.IntFlag{Name: "months", Usage: "the same for `N` months"},
			&cli.IntFlag{Name: "years", Usage: "the same for `N` years"},
			&cli.IntFlag{Name: "versions", Usage: "the newest capture of each of the latest `N` versions stays; by default of every version"},
			&cli.StringFlag{Name: "name", Usage: "with rules: only captures of `NAME`"},
			&cli.BoolFlag{Name: "utc", Usage: "with rules: days begin at midnight UTC, not at that of this machine's time zone"},
			&cli.BoolFlag{Name: "dry-run", Usage: "show what would stay and why, and change nothing"},
			&cli.BoolFlag{Name: "undo", Usage: "take back that the captures CAPTURE… were retired"},
			&cli.StringFlag{Name: "note", Usage: "`TEXT` that says why, for people; by default the rules"},
		},
		Description: `
Retired captures are not listed any more, but stay restorable by their ids for the
repository's grace time (kist setup --grace, by default 7 days), in which --undo
takes it back. kist reclaim frees their space after that.

Rules are a grandfather-father-son rotation: many recent captures stay, fewer old
ones. They apply to the captures of each name and host by themselves. A capture
stays if any rule wants it; days, weeks, months and years without a capture do not
count. Always staying: the newest capture, held ones, and those that are dated after now.
The newest capture of each version stays, too, unless --versions says of how many
versions. Where there is the choice, one that was taken while the service was stopped
stays rather than one with remarks in kist list (live, unfinished, changed), and the
newest without remarks always stays.
What counts is when the data was taken (capture --taken), so that old tarballs
rotate by their own dates; an old one may be retired on the day it is taken in. A
capture that was written before the repository was made, by its date, is one of a
machine whose clock was wrong: it stays, too, with a warning.

Example:
  kist retire --days 7 --weeks 5 --months 12 --dry-run
  kist retire --days 7 --weeks 5 --months 12 --years 3 --name seedbank
  kist retire 20260117t0203z-k7f3
  kist retire --undo 20260117t0203z-k7f3`,
		Action: a.retire,
	}
}

func (a *app) retire(c *cli.Context) error {
	if err := checkRetire(c); err != nil {
		return err
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	if c.Bool("undo") {
		return a.reinstate(c, r)
	}
	return a.retireSome(c, r)
}

// checkRetire sees that a command line asks for one thing.
func checkRetire(c *cli.Context) error {
	byRule := slices.ContainsFunc(ruleFlags, c.IsSet)
	named := c.NArg() > 0
	switch {
	case byRule && named:
		return usagef("retire: %q and rules are both given: retire captures by their ids, or by rules", c.Args().First())
	case c.Bool("undo") && (byRule || !named || c.Bool("dry-run")):
		return usagef("retire --undo: name the captures to take back, and nothing else (kist list --retired shows them)")
	case !byRule && (c.IsSet("name") || c.IsSet("utc")):
		return usagef("retire: --name and --utc go with rules such as --days 7")
	case !byRule && !named:
		return usagef("retire: which captures? Name them, or give rules for those that stay, such as --days 7 --weeks 5 --months 12 (--dry-run shows first what that means)")
	case byRule:
		return checkRules(c)
	}
	return nil
}

// retireSome retires what was named, or what no rule keeps.
func (a *app) retireSome(c *cli.Context, r *repository) error {
	rotation, err := a.planRetirement(c, r)
	if err != nil {
		return err
	}
	var ids []string
	for _, d := range rotation.decisions {
		if !d.Keep {
			ids = append(ids, d.ID)
		}
	}
	a.warnWaysBack(ids)
	if c.Bool("dry-run") {
		if err := a.printRotation(rotation); err != nil || a.JSON {
			return err
		}
		return rotation.sayFreed(c, a, r)
	}
	until := time.Now().Add(r.Grace()).UTC().Truncate(time.Second)
	if err := r.Retire(c.Context, ids, markOptions(rotation.reason)); err != nil {
		return explainHeld(err)
	}
	return a.printRetirement(rotation, until)
}

// warnWaysBack names captures that undoing an upgrade of this machine needs.
func (a *app) warnWaysBack(ids []string) {
	ways, err := a.upgrader(nil).WaysBack()
	if err != nil {
		a.Warn("whether an upgrade can be undone without what is retired is not known: %s", screen.Text(err.Error()))
	}
	for _, w := range ways {
		if !slices.Contains(ids, w.Capture) {
			continue
		}
		a.Warn("without capture %s, once its space is reclaimed, the upgrade of %s to %s can't be undone. kist retire --undo %s takes it back, kist hold %s keeps it.",
			w.Capture, screen.Printable(w.Container), screen.Printable(w.Image), w.Capture, w.Capture)
	}
}

func explainHeld(err error) error {
	if errors.Is(err, store.ErrHeld) {
		return fmt.Errorf("%w (kist release ends that); none was retired", err)
	}
	return err
}

// reinstate takes back that captures were retired.
func (a *app) reinstate(c *cli.Context, r *repository) error {
	l, err := a.listing(c.Context, r)
	if err != nil {
		return err
	}
	var found []*store.Capture
	for _, selector := range c.Args().Slice() {
		capture, err := a.selectRetired(l, selector)
		if err != nil {
			return err
		}
		if !slices.Contains(found, capture) {
			found = append(found, capture)
		}
	}
	if err := r.Reinstate(c.Context, idsOf(found), markOptions(c.String("note"))); err != nil {
		return err
	}
	err = a.printMarked(found, "Taken back:", "Not retired:", func(c *store.Capture) bool {
		was := c.Retired != nil
		c.Retired = nil
		return was
	})
	a.Say("A rotation may retire them again; kist hold keeps them from that.")
	return err
}

// selectRetired selects among retired captures; others are found by their ids, so
// that nothing is to be done for them.
func (a *app) selectRetired(l *store.Listing, selector string) (*store.Capture, error) {
	got, err := l.Choose(selector, store.ChooseOptions{Host: a.host, Retired: true})
	if !errors.Is(err, store.ErrNotFound) {
		return got, err
	}
	if other, err := l.Choose(selector, store.ChooseOptions{Host: a.host}); err == nil && other.ID == selector {
		return other, nil
	}
	return nil, missing(fmt.Errorf("no retired capture fits %q (kist list --retired shows what can be taken back)", selector))
}
