package main

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/units"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
)

// scheduledCopyFlags are those by which copies to a second place are scheduled.
func scheduledCopyFlags() []cli.Flag {
	return append([]cli.Flag{
		&cli.StringFlag{Name: "replicate-to", Usage: "schedule kist replicate --to `OTHER`, with --limit-rate"},
		&cli.StringFlag{Name: "replicate-from", Usage: "schedule kist replicate --from `OTHER`, likewise"},
	}, otherFlags()...)
}

func missingCopy(c *cli.Context) error {
	return usagef("kist schedule: --other-key-file and --other-passphrase-file go with --replicate-to or --replicate-from")
}

// checkScheduledCopy refuses what is about other jobs, and what each run would fail of.
func (a *app) checkScheduledCopy(c *cli.Context) error {
	own := []string{"replicate-to", "replicate-from", "other-key-file", "other-passphrase-file", "limit-rate", "metrics"}
	switch {
	case c.IsSet("replicate-to") && c.IsSet("replicate-from"):
		return usagef("kist schedule: --replicate-to and --replicate-from are both given: schedule them one after the other")
	case c.NArg() > 0:
		return usagef("kist schedule: %q and a second place are both given: schedule them one after the other", c.Args().First())
	}
	for _, f := range c.Command.Flags {
		name := f.Names()[0]
		if c.IsSet(name) && !slices.Contains(own, name) && !slices.Contains(scheduleOwnNames, name) {
			return usagef("kist schedule: --%s does not go with --replicate-to or --replicate-from", name)
		}
	}
	other, err := a.otherScheduled(c)
	if err != nil {
		return err
	}
	if !other.InBucket() && !files.IsFolder(other.Path()) {
		return missing(fmt.Errorf("the second place %s: every run would fail: there is no such folder", screen.Line(other.Full())))
	}
	for _, flag := range []string{"other-key-file", "other-passphrase-file"} {
		if file := c.String(flag); file != "" {
			if err := isThere(file); err != nil {
				return err
			}
		}
	}
	_, err = parseRate(c.String("limit-rate"))
	return err
}

func (a *app) otherScheduled(c *cli.Context) (where.Place, error) {
	return a.parsePlace(cmp.Or(c.String("replicate-to"), c.String("replicate-from")))
}

// scheduleCopy plans to copy captures to a second place, or from it.
func (a *app) scheduleCopy(c *cli.Context, j *units.Job) error {
	other, err := a.otherScheduled(c)
	if err != nil {
		return err
	}
	way := "--from="
	j.Name, j.What = "replicate", "Copy captures to or from a second place"
	if err := a.scheduleOther(j, other); err != nil {
		return err
	}
	if c.IsSet("replicate-to") {
		way = "--to="
	}
	words := []string{way + other.Full()}
	for _, flag := range []string{"other-key-file", "other-passphrase-file"} {
		if file := c.String(flag); file != "" {
			words = append(words, "--"+flag+"="+paths.Absolute(file))
		}
	}
	if rate := c.String("limit-rate"); rate != "" {
		words = append(words, "--limit-rate="+rate)
	}
	addCommand(j, "replicate", words...)
	return nil
}

// scheduleOther has a job reach a second place.
func (a *app) scheduleOther(j *units.Job, other where.Place) error {
	if !other.InBucket() {
		j.Also = []string{other.Full()}
		return nil
	}
	return a.scheduleStore(j)
}
