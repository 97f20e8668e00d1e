package main

import (
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/units"
)

// scheduledCheckNames are the flags of kist verify and kist status that are for timers, too, and no other job has.
var scheduledCheckNames = []string{"full", "sample", "older-than"}

// scheduledCheckFlags chooses those, and adds the ones by which checks are scheduled.
func (a *app) scheduledCheckFlags() []cli.Flag {
	flags := []cli.Flag{
		&cli.BoolFlag{Name: "verify", Usage: "schedule kist verify, with --full or --sample"},
		&cli.BoolFlag{Name: "status", Usage: "schedule kist status, with --older-than, --name and --host"},
	}
	for _, f := range slices.Concat(a.verifyCommand().Flags, a.statusCommand().Flags) {
		if slices.Contains(scheduledCheckNames, f.Names()[0]) {
			flags = append(flags, f)
		}
	}
	return flags
}

func missingCheck(c *cli.Context) error {
	return usagef("kist schedule: --full and --sample go with --verify, --older-than with --status")
}

// checkScheduledCheck refuses what is about other jobs, and what each run would fail of.
func (a *app) checkScheduledCheck(c *cli.Context) error {
	job, allowed := "verify", []string{"metrics", "full", "sample"}
	if c.Bool("status") {
		job, allowed = "status", []string{"metrics", "older-than", "name", "host"}
	}
	switch {
	case c.Bool("verify") && c.Bool("status"):
		return usagef("kist schedule: --verify and --status are both given: schedule them one after the other")
	case c.NArg() > 0:
		return usagef("kist schedule: %q and --%s are both given: schedule them one after the other", c.Args().First(), job)
	case c.Bool("full") && c.IsSet("sample"):
		return usagef("--full and --sample are both given")
	}
	for _, f := range c.Command.Flags {
		name := f.Names()[0]
		if c.IsSet(name) && !slices.Contains(allowed, name) && !slices.Contains(scheduleOwnNames, name) && name != job {
			return usagef("kist schedule: --%s does not go with --%s", name, job)
		}
	}
	if s := c.String("sample"); s != "" {
		if _, err := cmdline.Share("sample", s); err != nil {
			return err
		}
	}
	_, err := olderThan(c)
	return err
}

// scheduleOwnNames are the flags of the schedule itself.
var scheduleOwnNames = []string{"on-calendar", "units", "cron", "on-failure"}

// scheduleCheck plans to verify, or to look whether all is well.
func scheduleCheck(c *cli.Context, j *units.Job) error {
	command := "verify"
	j.Name, j.What = "verify", "Verify the captures"
	if c.Bool("status") {
		command = "status"
		j.Name, j.What = "status", "Look whether all captures are well"
	}
	var words []string
	for _, f := range c.Command.Flags {
		if name := f.Names()[0]; slices.Contains(append([]string{"name", "host"}, scheduledCheckNames...), name) {
			words = append(words, cmdline.Again(c, []cli.Flag{f})...)
		}
	}
	if name := c.String("name"); name != "" {
		j.Name += "-" + name
	}
	addCommand(j, command, words...)
	return nil
}
