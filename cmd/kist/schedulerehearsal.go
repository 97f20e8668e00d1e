package main

import (
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/units"
)

// scheduledRehearsalNames are the flags of kist rehearse that are for timers, too, and no other job has.
var scheduledRehearsalNames = []string{"scratch", "watch", "healthy", "lend", "data-only"}

// scheduledRehearsalFlags chooses those, and adds the one by which rehearsals are scheduled.
func scheduledRehearsalFlags(flags []cli.Flag) []cli.Flag {
	return append([]cli.Flag{&cli.BoolFlag{Name: "rehearse", Usage: "schedule rehearsals of the newest capture of each NAME, or of all"}}, rehearsalFlags(flags)...)
}

func rehearsalFlags(flags []cli.Flag) []cli.Flag {
	return slices.DeleteFunc(slices.Clone(flags), func(f cli.Flag) bool { return !slices.Contains(scheduledRehearsalNames, f.Names()[0]) })
}

func missingRehearse(c *cli.Context) error {
	return usagef("kist schedule: --scratch, --watch, --healthy, --lend and --data-only go with --rehearse")
}

// checkScheduledRehearsal refuses what is about other jobs, and what each run would fail of.
func (a *app) checkScheduledRehearsal(c *cli.Context) error {
	for _, f := range slices.Concat(a.captureCommand().Flags, rotationFlags(a.retireCommand().Flags)) {
		if name := f.Names()[0]; name != "engine" && name != "host" && c.IsSet(name) {
			return usagef("kist schedule: --%s is not about rehearsals: schedule them one after the other", name)
		}
	}
	switch {
	case slices.Contains(c.Args().Slice(), ""):
		return usagef("kist schedule: a NAME is empty")
	case c.IsSet("host") && c.String("host") == "":
		return usagef("flag --host: its value is empty")
	}
	return checkTrial(c)
}

// scheduleRehearsal plans to rehearse the newest captures.
func (a *app) scheduleRehearsal(c *cli.Context, j *units.Job) error {
	j.Name, j.What = "rehearse", "Rehearse captures"
	// The engine, and owners of what is restored, need the machine as it is; what is killed is cleared away.
	j.Container, j.Stops = true, true
	flags := slices.DeleteFunc(rehearsalFlags(a.rehearseCommand().Flags), func(f cli.Flag) bool { return f.Names()[0] == "scratch" })
	words := append([]string{"--newest"}, cmdline.Again(c, flags)...)
	if host := c.String("host"); host != "" {
		words = append(words, "--host="+host)
	}
	if c.IsSet("scratch") {
		words = append(words, "--scratch="+paths.Absolute(c.String("scratch")))
	}
	switch program := a.getenv("KIST_ENGINE"); {
	case c.IsSet("engine"):
		words = append(words, "--engine="+c.String("engine"))
	case program != "" && !c.Bool("data-only"):
		words = append(words, "--engine="+program)
	}
	if names := c.Args().Slice(); len(names) > 0 {
		j.Name += "-" + names[0]
		words = append(append(words, "--"), names...)
	}
	addCommand(j, "rehearse", words...)
	return nil
}
