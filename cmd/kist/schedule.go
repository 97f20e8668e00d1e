package main

import (
	"os"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/units"
)

func (a *app) scheduleCommand() *cli.Command {
	flags := []cli.Flag{
		&cli.StringFlag{Name: "on-calendar", Value: "daily", Usage: "`WHEN`, as systemd.time(7) has it: daily, weekly, \"*-*-* 02:03\""},
		&cli.StringFlag{Name: "units", Usage: "write the two units into `DIR`, such as /etc/systemd/system, instead of printing them"},
		&cli.BoolFlag{Name: "cron", Usage: "print a line for crontab(5) instead; WHEN must be hourly, daily, weekly or monthly"},
	}
	flags = append(flags, scheduledFlags(a.captureCommand().Flags)...)
	return &cli.Command{
		Name:      "schedule",
		Usage:     "print a systemd service and timer, or a crontab line, for captures or for a rotation",
		ArgsUsage: "SOURCE… or --container NAME, or rules such as --days 7 --weeks 5",
		Flags:     append(flags, rotationFlags(a.retireCommand().Flags)...),
		Description: `
SOURCE and the other flags are those of kist capture. The repository and the key
file or passphrase file are those that open it now: they are named by their
absolute paths in what is printed, and nothing secret is. The systemd service
gets a copy of the secret's file as a credential, and sees the rest of the machine
read-only; for a container it can't, since the engine needs the machine as it is.

With rules, those of kist retire, it is no capture that is scheduled but a rotation:
kist retire, and then kist reclaim.

Example:
  kist schedule --key-file /root/kist.key --name seedbank /srv/seedbank
  kist schedule --container seedbank --stop --on-calendar "Sun 02:03" --units /etc/systemd/system
  kist schedule --cron --container seedbank --stop
  kist schedule --days 7 --weeks 5 --months 12 --on-calendar weekly`,
		Action: a.schedule,
	}
}

// scheduledFlags leaves out what is only about one capture.
func scheduledFlags(flags []cli.Flag) []cli.Flag {
	return slices.DeleteFunc(slices.Clone(flags), func(f cli.Flag) bool {
		return slices.Contains([]string{"taken", "version", "note", "accept-unfinished", "hold", "accept-future"}, f.Names()[0])
	})
}

func (a *app) schedule(c *cli.Context) error {
	j, err := a.newJob(c)
	if err != nil {
		return err
	}
	if c.Bool("cron") {
		line, err := j.Cron()
		if err == nil {
			a.Printf("%s", line)
		}
		return err
	}
	if dir := c.String("units"); dir != "" {
		if err := j.Write(dir); err != nil {
			return err
		}
		a.Say("Next: systemctl daemon-reload && systemctl enable --now %s", j.FileName("timer"))
		return nil
	}
	a.Printf("# %s\n%s\n# %s\n%s", j.FileName("service"), j.Service(), j.FileName("timer"), j.Timer())
	return nil
}

func (a *app) newJob(c *cli.Context) (*units.Job, error) {
	j := &units.Job{When: c.String("on-calendar"), Container: c.String("container") != "", Stops: c.Bool("stop")}
	if strings.ContainsAny(j.When, "\n\r") || j.When == "" {
		return nil, usagef("--on-calendar %q: it must be one line", j.When)
	}
	check, fill := checkScheduledCapture, a.scheduleCapture
	if slices.ContainsFunc(ruleFlags, c.IsSet) {
		check, fill = a.checkScheduledRotation, scheduleRotation
	}
	if err := check(c); err != nil {
		return nil, err
	}
	var err error
	if j.Program, err = os.Executable(); err != nil {
		return nil, err
	}
	if j.Secret, err = a.scheduledSecret(); err != nil {
		return nil, err
	}
	if !c.Bool("cron") {
		if err := j.CheckSecret(); err != nil {
			return nil, err
		}
	}
	if j.Writes, err = a.repositoryPath(); err != nil {
		return nil, err
	}
	j.Writes = paths.Absolute(j.Writes)
	return j, fill(c, j)
}

// addCommand adds a command to the job.
func addCommand(j *units.Job, name string, words ...string) {
	j.Commands = append(j.Commands, append([]string{name, "--quiet", "--repository", j.Writes}, words...))
}

func checkScheduledCapture(c *cli.Context) error {
	ofContainer := c.String("container") != ""
	if ofContainer != (c.NArg() == 0) {
		return usagef("kist schedule: give either SOURCE… or --container NAME, or rules such as --days 7")
	}
	if c.IsSet("utc") {
		return usagef("kist schedule: --utc goes with rules such as --days 7")
	}
	if slices.Contains(c.Args().Slice(), "-") {
		return usagef("kist schedule: standard input can't be captured by a timer")
	}
	if slices.Contains(c.Args().Slice(), "") {
		return usagef("kist schedule: a source without a name: an argument is empty")
	}
	if _, err := captureOptions(c); err != nil {
		return err // else each run would fail of it
	}
	if ofContainer {
		return nil
	}
	return refuseContainerFlags(c)
}

// scheduleCapture plans a capture.
func (a *app) scheduleCapture(c *cli.Context, j *units.Job) (err error) {
	words := cmdline.Again(c, scheduledFlags(a.captureCommand().Flags))
	if program := a.getenv("KIST_ENGINE"); j.Container && program != "" && !c.IsSet("engine") {
		words = append(words, "--engine="+program)
	}
	for _, path := range c.Args().Slice() {
		j.Reads = append(j.Reads, paths.Absolute(path))
	}
	j.Name = c.String("name")
	switch {
	case j.Name != "":
	case j.Container:
		j.Name = c.String("container")
	default:
		j.Name, err = sources.Name(j.Reads[0])
	}
	j.What = "Capture " + j.Name
	if len(j.Reads) > 0 {
		words = append(append(words, "--"), j.Reads...)
	}
	addCommand(j, "capture", words...)
	return err
}

// scheduledSecret finds the file that opens the repository.
func (a *app) scheduledSecret() (units.Secret, error) {
	named, err := a.secretFiles()
	switch {
	case err != nil:
		return units.Secret{}, err
	case named.Key != "":
		return units.Secret{Key: paths.Absolute(named.Key)}, nil
	case named.Passphrase != "":
		return units.Secret{Passphrase: paths.Absolute(named.Passphrase)}, nil
	}
	return units.Secret{}, usagef("a timer can't type a passphrase: give --key-file FILE (kist passphrase add --key-file makes one) or --passphrase-file FILE")
}
