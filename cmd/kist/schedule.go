package main

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/units"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
)

func (a *app) scheduleCommand() *cli.Command {
	flags := []cli.Flag{
		&cli.StringFlag{Name: "on-calendar", Value: "daily", Usage: "`WHEN`, as systemd.time(7) has it: daily, weekly, \"*-*-* 02:03\""},
		&cli.StringFlag{Name: "units", Usage: "write the two units into `DIR`, such as /etc/systemd/system, instead of printing them"},
		&cli.BoolFlag{Name: "cron", Usage: "print a line for crontab(5) instead; WHEN must be hourly, daily, weekly or monthly"},
		&cli.StringFlag{Name: "on-failure", Usage: "start the systemd `UNIT` if a run fails, such as tell-me@%n.service"},
	}
	flags = append(flags, allFlag())
	flags = append(flags, scheduledFlags(a.captureCommand().Flags)...)
	flags = append(flags, scheduledRehearsalFlags(a.rehearseCommand().Flags)...)
	flags = append(flags, a.scheduledCheckFlags()...)
	flags = append(flags, scheduledCopyFlags()...)
	return &cli.Command{
		Name:      "schedule",
		Usage:     "print a systemd service and timer, or a crontab line, for captures, a rotation, rehearsals, copies or checks",
		ArgsUsage: "--all or a service's NAME, or SOURCE… or --container NAME, or rules as --days 7, or --rehearse [NAME…], or --replicate-to OTHER, or --verify, or --status",
		Flags:     append(flags, rotationFlags(a.retireCommand().Flags)...),
		Description: `
SOURCE and the other flags are those of kist capture. The repository and the key
file or passphrase file are those that open it now: they are named by their
absolute paths in what is printed, and nothing secret is. The systemd service
gets a copy of the secret's file as a credential, and sees the rest of the machine
read-only; for a container, and with commands such as --before, --from or
--version-from, it can't, since these need the machine as it is.

With rules, those of kist retire, it is no capture that is scheduled but a rotation:
kist retire, and then kist reclaim. With --rehearse it is kist rehearse --newest, with the
flags of that; where it is killed, kist resume removes what it left. With --replicate-to or
--replicate-from it is kist replicate --to or --from, with flags of that. With --verify it is kist
verify, and with --status it is kist status, with flags of theirs: a run of these fails where
something is wrong, so give --on-failure a unit that tells you. (cron sends what is
printed by mail, where mail works.)

What every run would fail of is refused: a WHEN that systemd-analyze(1) does not understand, a
SOURCE or a file of a secret that is not there, and a kist that lies where temporary builds do.

With a configuration (kist help config), NAME is a service of it, and --all all of
them, with their rehearsals, rotations and verifications. These read the
configuration at each run: schedule again where a service gets other sources,
containers or commands.

Example:
  kist schedule --all --units /etc/systemd/system
  kist schedule --key-file /root/kist.key --name seedbank /srv/seedbank
  kist schedule --container seedbank --stop --on-calendar "Sun 02:03" \
    --units /etc/systemd/system
  kist schedule --cron --container seedbank --stop \
    --version-from 'cat /srv/seedbank/VERSION'
  kist schedule --name seedbank-db --from -- /usr/local/bin/dump-program --all
  kist schedule --days 7 --weeks 5 --months 12 --on-calendar weekly
  kist schedule --rehearse --watch 2m --on-calendar weekly
  kist schedule --replicate-to /mnt/offsite/kist --limit-rate 20MiB
  kist schedule --verify --full --on-calendar monthly \
    --on-failure tell-me@%n.service
  kist schedule --status --older-than 26h --on-calendar hourly \
    --on-failure tell-me@%n.service`,
		Action: a.schedule,
	}
}

// scheduledFlags leaves out what is only about one capture.
func scheduledFlags(flags []cli.Flag) []cli.Flag {
	return slices.DeleteFunc(slices.Clone(flags), func(f cli.Flag) bool {
		return slices.Contains([]string{"taken", "note", "accept-unfinished", "hold", "accept-future"}, f.Names()[0])
	})
}

func (a *app) schedule(c *cli.Context) error {
	if err := a.checkScheduledFiles(c); err != nil {
		return err
	}
	if names, ok, err := a.servicesToSchedule(c); ok || err != nil {
		if err == nil {
			err = a.scheduleServices(c, names)
		}
		return err
	}
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

// checkScheduledFiles refuses units, and metrics of the runs, in places where they would harm something, and units in none.
func (a *app) checkScheduledFiles(c *cli.Context) error {
	if dir := c.String("units"); dir != "" && !files.IsFolder(dir) {
		return missing(fmt.Errorf("--units %s: there is no such folder", screen.Line(dir)))
	}
	for _, path := range []string{c.String("units"), c.String("metrics")} {
		if path == "" {
			continue
		}
		if err := a.checkWritten(c, path); err != nil {
			return err
		}
	}
	return nil
}

func (a *app) newJob(c *cli.Context) (*units.Job, error) {
	j := &units.Job{
		When: c.String("on-calendar"), Container: len(c.StringSlice("container")) > 0, Stops: c.Bool("stop") || c.String("after") != "",
		Runs: slices.ContainsFunc([]string{"before", "after", "from", "version-from"}, c.IsSet),
	}
	if err := units.CheckCalendar(c.Context, j.When); err != nil {
		return nil, err
	}
	if j.OnFailure = c.String("on-failure"); j.OnFailure != "" {
		if c.Bool("cron") {
			return nil, usagef("--on-failure is about systemd units: cron sends what is printed by mail")
		}
		if err := units.CheckName(j.OnFailure); err != nil {
			return nil, err
		}
	}
	check, fill := checkScheduledCapture, a.scheduleCapture
	switch {
	case c.IsSet("replicate-to") || c.IsSet("replicate-from"):
		check, fill = a.checkScheduledCopy, a.scheduleCopy
	case c.IsSet("other-key-file") || c.IsSet("other-passphrase-file"):
		check = missingCopy
	case c.Bool("verify") || c.Bool("status"):
		check, fill = a.checkScheduledCheck, scheduleCheck
	case c.Bool("rehearse"):
		check, fill = a.checkScheduledRehearsal, a.scheduleRehearsal
	case slices.ContainsFunc(scheduledRehearsalNames, c.IsSet):
		check = missingRehearse
	case slices.ContainsFunc(scheduledCheckNames, c.IsSet):
		check = missingCheck
	case slices.ContainsFunc(ruleFlags, c.IsSet):
		check, fill = a.checkScheduledRotation, scheduleRotation
	}
	if err := check(c); err != nil {
		return nil, err
	}
	var err error
	if j.Program, err = a.program(); err != nil {
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
	place, err := a.repositoryPlace()
	if err != nil {
		return nil, err
	}
	if err := a.scheduleRepository(j, place); err != nil {
		return nil, err
	}
	j.Patience = a.scheduledPatience()
	if file := c.String("metrics"); file != "" {
		if file = paths.Absolute(file); !files.IsFolder(filepath.Dir(file)) {
			return nil, missing(fmt.Errorf("--metrics %s: there is no folder %s", screen.Line(file), screen.Line(filepath.Dir(file))))
		}
		j.Tells = file
	}
	return j, fill(c, j)
}

// addCommand adds a command to the job.
func addCommand(j *units.Job, name string, words ...string) {
	own := []string{name, "--quiet", "--give-up", j.Patience, "--repository", j.Repository}
	if j.Tells != "" && name != "retire" {
		own = append(own, "--metrics="+j.Tells)
	}
	j.Commands = append(j.Commands, append(own, words...))
}

func checkScheduledCapture(c *cli.Context) error {
	ofContainer := len(c.StringSlice("container")) > 0
	if ofContainer != (c.NArg() == 0) {
		return usagef("kist schedule: give either SOURCE… or --container NAME, or rules such as --days 7, or --rehearse")
	}
	if c.IsSet("utc") {
		return usagef("kist schedule: --utc goes with rules such as --days 7")
	}
	if _, err := captureOptions(c); err != nil {
		return err // else each run would fail of it
	}
	if c.Bool("from") {
		return checkScheduledProgram(c)
	}
	for _, named := range c.Args().Slice() {
		_, path, err := sources.Split(named)
		switch {
		case err != nil:
			return err
		case path == "-":
			return usagef("kist schedule: standard input can't be captured by a timer (but what a command prints can: --from)")
		case path == "":
			return usagef("kist schedule: a source without a name: an argument is empty")
		}
		// --before may make it, as by mounting something.
		if _, err := os.Stat(path); err != nil && !c.IsSet("before") {
			return missing(fmt.Errorf("source %s: every run would fail: %w", screen.Line(path), err))
		}
	}
	if ofContainer {
		return nil
	}
	return refuseContainerFlags(c)
}

// checkScheduledProgram refuses what could not be run.
func checkScheduledProgram(c *cli.Context) error {
	switch {
	case c.String("name") == "":
		return usagef("kist schedule: what a command prints has no name: give --name NAME")
	case c.Args().First() == "":
		return usagef("kist schedule: a command without a name: an argument is empty")
	}
	return refuseContainerFlags(c)
}

// scheduleCapture plans a capture.
func (a *app) scheduleCapture(c *cli.Context, j *units.Job) (err error) {
	words := cmdline.Again(c, slices.DeleteFunc(scheduledFlags(a.captureCommand().Flags), func(f cli.Flag) bool { return f.Names()[0] == "metrics" }))
	if program := a.getenv("KIST_ENGINE"); j.Container && program != "" && !c.IsSet("engine") {
		words = append(words, "--engine="+program)
	}
	rest := c.Args().Slice()
	if !c.Bool("from") {
		if rest, j.Reads, err = scheduledSources(rest); err != nil {
			return err
		}
	}
	j.Name = c.String("name")
	switch {
	case j.Name != "":
	case j.Container:
		j.Name = c.StringSlice("container")[0]
	default:
		j.Name, err = sources.NameOf(rest[0])
	}
	j.What = "Capture " + j.Name
	if !c.Bool("no-spool") {
		j.Share = shareOf(j.Writes)
	}
	if len(rest) > 0 {
		words = append(append(words, "--"), rest...)
	}
	addCommand(j, "capture", words...)
	return err
}

// scheduledSources gives sources by their absolute paths, with the names that they were
// given and without.
func scheduledSources(named []string) (words, reads []string, err error) {
	for _, text := range named {
		name, path, err := sources.Split(text)
		if err != nil {
			return nil, nil, err
		}
		path = paths.Absolute(path)
		reads = append(reads, path)
		if name != "" {
			path = name + "=" + path
		}
		words = append(words, path)
	}
	return words, reads, nil
}

// shareOf gives where the share is mounted that a folder lies on; "": on none.
func shareOf(folder string) string {
	if folder == "" {
		return ""
	}
	place, _ := where.Parse(folder, os.Getenv)
	if m := place.Mount(); m.IsRemote() {
		return m.Point
	}
	return ""
}

// scheduleRepository has a job write to a repository.
func (a *app) scheduleRepository(j *units.Job, at where.Place) error {
	if j.Repository = at.Full(); !at.InBucket() {
		j.Writes = j.Repository
		return nil
	}
	return a.scheduleStore(j)
}

// scheduleStore has a job find the keys of an object store.
func (a *app) scheduleStore(j *units.Job) error {
	keys := where.FindKeys(a.getenv)
	if keys.InEnvironment {
		return usagef("a timer has not your environment, and a unit or a crontab line can be read by others: put the access key and secret key into a shared file instead of AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, and name it by AWS_SHARED_CREDENTIALS_FILE")
	}
	if keys.ProxySecret != "" {
		return usagef("a unit or a crontab line can be read by others: %s names a proxy with a user name or password, which has no place there", keys.ProxySecret)
	}
	if keys.CA != "" {
		if err := isThere(keys.CA); err != nil {
			return fmt.Errorf("AWS_CA_BUNDLE: %w", err)
		}
	}
	j.Store = &units.Store{Variables: keys.Variables}
	named := a.getenv("AWS_SHARED_CREDENTIALS_FILE") != "" || a.getenv("AWS_PROFILE") != ""
	switch err := isThere(keys.File); {
	case err == nil:
		j.Store.Keys = keys.File
		if err := keys.Check(a.getenv); err != nil && named {
			return err
		}
	case named:
		return err
	default:
		a.Say("No shared file with keys of the object store is there (%s): the runs look for a role of the machine.", screen.Printable(keys.File))
	}
	return nil
}

// scheduledPatience says how long what is scheduled waits for a repository that does not answer.
func (a *app) scheduledPatience() string {
	return cmp.Or(a.shared.giveUp, a.getenv("KIST_GIVE_UP"), scheduledPatience)
}

// scheduledSecret finds the file that opens the repository.
func (a *app) scheduledSecret() (units.Secret, error) {
	named, err := a.secretFiles()
	switch {
	case err != nil:
		return units.Secret{}, err
	case named.Key != "":
		return units.Secret{Key: paths.Absolute(named.Key)}, isThere(named.Key)
	case named.Passphrase != "":
		return units.Secret{Passphrase: paths.Absolute(named.Passphrase)}, isThere(named.Passphrase)
	}
	return units.Secret{}, usagef("a timer can't type a passphrase: give --key-file FILE (kist passphrase add --key-file makes one) or --passphrase-file FILE")
}
