package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/secrets"
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
		return slices.Contains([]string{"taken", "version", "note", "accept-unfinished", "hold"}, f.Names()[0])
	})
}

// plan is what is done again and again.
type plan struct {
	name      string // of its units
	what      string // for people
	when      string
	program   string
	reads     []string // absolute paths
	container bool
	stops     bool
	commands  [][]string // their words, without what opens the repository
	open      []string   // the flags for that
	secret    secrets.Files
	writes    string // the repository
}

func (a *app) schedule(c *cli.Context) error {
	p, err := a.newPlan(c)
	switch {
	case err != nil:
		return err
	case c.Bool("cron"):
		return a.printCron(p)
	case c.String("units") != "":
		return a.writeUnits(p, c.String("units"))
	}
	a.Printf("# %s\n%s\n# %s\n%s", p.unit("service"), p.service(), p.unit("timer"), p.timer())
	return nil
}

func (a *app) newPlan(c *cli.Context) (*plan, error) {
	p := &plan{when: c.String("on-calendar"), container: c.String("container") != "", stops: c.Bool("stop")}
	if strings.ContainsAny(p.when, "\n\r") || p.when == "" {
		return nil, usagef("--on-calendar %q: it must be one line", p.when)
	}
	check, fill := checkScheduledCapture, a.scheduleCapture
	if slices.ContainsFunc(ruleFlags, c.IsSet) {
		check, fill = a.checkScheduledRotation, scheduleRotation
	}
	if err := check(c); err != nil {
		return nil, err
	}
	var err error
	if p.program, err = os.Executable(); err != nil {
		return nil, err
	}
	if err := p.findSecret(a); err != nil {
		return nil, err
	}
	if path := p.secret.Key + p.secret.Passphrase; !c.Bool("cron") && strings.ReplaceAll(unitText(path), "%%", "%") != path {
		return nil, usagef("%q can't be written into a unit: give the file of the secret a plain name", path)
	}
	if p.writes, err = a.repositoryPath(); err != nil {
		return nil, err
	}
	p.writes = absolute(p.writes)
	return p, fill(c, p)
}

// command adds a command to the plan.
func (p *plan) command(name string, words ...string) {
	p.commands = append(p.commands, append([]string{name, "--quiet", "--repository", p.writes}, words...))
}

func checkScheduledCapture(c *cli.Context) error {
	container := c.String("container") != ""
	if container != (c.NArg() == 0) {
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
	if container {
		return nil
	}
	return refuseContainerFlags(c)
}

// scheduleCapture plans a capture.
func (a *app) scheduleCapture(c *cli.Context, p *plan) (err error) {
	words := cmdline.Again(c, scheduledFlags(a.captureCommand().Flags))
	if program := a.getenv("KIST_ENGINE"); p.container && program != "" && !c.IsSet("engine") {
		words = append(words, "--engine="+program)
	}
	for _, source := range c.Args().Slice() {
		p.reads = append(p.reads, absolute(source))
	}
	p.name = c.String("name")
	switch {
	case p.name != "":
	case p.container:
		p.name = c.String("container")
	default:
		p.name, err = volumeName(p.reads[0])
	}
	p.what = "Capture " + p.name
	if len(p.reads) > 0 {
		words = append(append(words, "--"), p.reads...)
	}
	p.command("capture", words...)
	return err
}

// findSecret finds the file that opens the repository.
func (p *plan) findSecret(a *app) error {
	files, err := a.secretFiles()
	switch {
	case err != nil:
		return err
	case files.Key != "":
		p.secret.Key = absolute(files.Key)
		p.open = []string{"--key-file", p.secret.Key}
	case files.Passphrase != "":
		p.secret.Passphrase = absolute(files.Passphrase)
		p.open = []string{"--passphrase-file", p.secret.Passphrase}
	default:
		return usagef("a timer can't type a passphrase: give --key-file FILE (kist passphrase add --key-file makes one) or --passphrase-file FILE")
	}
	return nil
}

func absolute(path string) string {
	if abs, err := filepath.Abs(path); err == nil {
		return abs
	}
	return path
}

// cronTimes are the names that cron has (crontab(5)) for those of systemd.
var cronTimes = []string{"hourly", "daily", "weekly", "monthly"}

func (a *app) printCron(p *plan) error {
	if !slices.Contains(cronTimes, p.when) {
		return usagef("--cron --on-calendar %q: it must be one of %s", p.when, strings.Join(cronTimes, ", "))
	}
	var commands []string
	for _, command := range p.commands {
		var words []string
		for _, word := range slices.Concat([]string{p.program, command[0]}, p.open, command[1:]) {
			words = append(words, screen.ShellQuote(word))
		}
		commands = append(commands, strings.Join(words, " "))
	}
	line := strings.Join(commands, " && ")
	if strings.Contains(line, "\n") {
		return usagef("a crontab line can't hold a line break")
	}
	a.Printf("@%s %s\n", p.when, strings.ReplaceAll(line, "%", `\%`)) // crontab(5): % is a line break
	return nil
}

// writeUnits writes both units, and over none that is there.
func (a *app) writeUnits(p *plan, dir string) error {
	kinds := []string{"service", "timer"}
	for _, kind := range kinds { // before one of them is written alone
		path := filepath.Join(dir, p.unit(kind))
		if _, err := os.Lstat(path); err == nil {
			return fmt.Errorf("%s is there already: remove it first", screen.Line(path))
		}
	}
	for i, text := range []string{p.service(), p.timer()} {
		if err := writeUnit(filepath.Join(dir, p.unit(kinds[i])), text); err != nil {
			return err
		}
	}
	a.Say("Next: systemctl daemon-reload && systemctl enable --now %s", p.unit("timer"))
	return nil
}

func writeUnit(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	return errors.Join(err, f.Close())
}
