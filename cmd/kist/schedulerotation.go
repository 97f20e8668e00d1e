package main

import (
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/units"
)

// rotationFlags chooses the flags of a rotation that those of a capture lack.
func rotationFlags(flags []cli.Flag) []cli.Flag {
	return slices.DeleteFunc(slices.Clone(flags), func(f cli.Flag) bool {
		return !slices.Contains(append([]string{"utc"}, ruleFlags...), f.Names()[0])
	})
}

// checkScheduledRotation refuses what is about captures only.
func (a *app) checkScheduledRotation(c *cli.Context) error {
	if c.NArg() > 0 {
		return usagef("kist schedule: %q and rules are both given: schedule the capture and the rotation one after the other", c.Args().First())
	}
	for _, f := range a.captureCommand().Flags {
		if name := f.Names()[0]; name != "name" && name != "metrics" && c.IsSet(name) {
			return usagef("kist schedule: --%s is about a capture, and rules are given: schedule them one after the other", name)
		}
	}
	return checkRules(c)
}

// scheduleRotation plans to retire captures by rules, and to reclaim their space.
func scheduleRotation(c *cli.Context, j *units.Job) error {
	j.Name, j.What = "retire", "Retire captures by a rotation and reclaim space"
	words := cmdline.Again(c, rotationFlags(c.Command.Flags))
	if name := c.String("name"); name != "" {
		j.Name += "-" + name
		words = append(words, "--name="+name)
	}
	addCommand(j, "retire", words...)
	addCommand(j, "reclaim")
	return nil
}
