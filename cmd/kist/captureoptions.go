package main

import (
	"github.com/urfave/cli/v2"
	"strings"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

func (a *app) newCapturing(c *cli.Context) (*capturing, error) {
	o, err := captureOptions(c)
	if err != nil {
		return nil, err
	}
	if _, ok := o.Labels[labelMounted]; ok {
		return nil, usagef("--label %s: kist gives this label itself", labelMounted)
	}
	through, err := newSpooling(c)
	if err != nil {
		return nil, err
	}
	return &capturing{
		app: a, through: through, options: *o, strict: c.Bool("strict"), hold: c.Bool("hold"), acceptEmpty: c.Bool("accept-empty"),
		still: stopped.Commands{Before: c.String("before"), After: c.String("after")}, versionFrom: c.String("version-from"),
	}, nil
}

// foldersAsked says how folders are read, also those of containers.
func foldersAsked(c *cli.Context) sources.Reading {
	return sources.Reading{Reread: c.Bool("reread"), Options: volume.ReadOptions{
		CrossMounts: c.Bool("cross-mounts"), Exclude: c.StringSlice("exclude"), SkipCacheFolders: c.Bool("skip-cache-folders"),
	}}
}

func captureOptions(c *cli.Context) (*store.CaptureOptions, error) {
	o := &store.CaptureOptions{
		Name: c.String("name"), Version: c.String("version"), Note: c.String("note"), Host: c.String("host"),
		AcceptUnfinished: c.Bool("accept-unfinished"),
	}
	var err error
	if o.Taken, err = takenTime(c); err != nil {
		return nil, err
	}
	if o.Host == "" {
		o.Host = hostName()
	}
	if err := checkVersionWord(c.Command.Name, "--version", o.Version); err != nil {
		return nil, err
	}
	if strings.Contains(o.Name, "@") {
		return nil, usagef("%s: --name %s: '@' has a meaning where a capture is named (NAME@VERSION): give a name without", c.Command.HelpName, screen.Line(o.Name))
	}
	if c.IsSet("version") && c.IsSet("version-from") {
		return nil, usagef("%s: --version and --version-from are both given", c.Command.HelpName)
	}
	if c.Bool("from") && len(c.StringSlice("container")) > 0 {
		return nil, usagef("%s: --from and --container are both given", c.Command.HelpName)
	}
	o.Labels, err = cmdline.Labels(c.StringSlice("label"))
	return o, err
}

// checkVersionWord refuses a version that would never be found by: NAME@latest stands for the newest capture.
func checkVersionWord(command, from, version string) error {
	if version == "latest" {
		return usagef("%s: %s latest: @latest stands for the newest capture, of whatever version; name the version itself", command, from)
	}
	return nil
}

// refuseContainerFlags refuses flags that mean nothing for other sources.
func refuseContainerFlags(c *cli.Context) error {
	for _, flag := range []string{"stop", "live", "include-readonly", "exclude-mount"} {
		if c.IsSet(flag) {
			return usagef("%s: --%s goes with --container", c.Command.HelpName, flag)
		}
	}
	return nil
}
