package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/config"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/units"
)

// When jobs of a configuration are done that says nothing of it.
const (
	defaultCaptures = "daily"
	defaultOthers   = "weekly"
	defaultStatus   = "daily"
)

func allFlag() cli.Flag {
	return &cli.BoolFlag{Name: "all", Usage: "schedule all services of the configuration, with what it says of rehearsals, rotations, a second place, verifications and status"}
}

// servicesToSchedule gives the services of the configuration that a command line is about; ok is
// false where it is about something else.
func (a *app) servicesToSchedule(c *cli.Context) (names []string, ok bool, err error) {
	switch {
	case c.Bool("all") && c.NArg() > 0:
		return nil, false, usagef("kist schedule: --all is about all services: it goes with no name")
	case c.Bool("all") && len(a.config.Services) == 0:
		return nil, false, missing(fmt.Errorf("kist schedule --all: the configuration has no service (kist config shows it)"))
	case c.Bool("all"):
		names = a.config.ServiceNames()
	case c.NArg() == 1 && a.config.Services[c.Args().First()] != nil && !c.Bool("from") && !c.Bool("rehearse"):
		name := c.Args().First()
		if _, err := os.Lstat(name); err == nil {
			return nil, false, usagef("kist schedule: %s is a service of the configuration, and something in this folder is called so: ./%s is that; kist schedule --all schedules every service", name, name)
		}
		names = []string{name}
	default:
		return nil, false, nil
	}
	for _, flag := range c.LocalFlagNames() {
		if !slices.Contains([]string{"all", "units", "cron", "on-calendar", "on-failure"}, flag) {
			return nil, false, usagef("kist schedule: --%s is for the configuration to say: what is scheduled here are its services", flag)
		}
	}
	return names, true, nil
}

// scheduleServices schedules what the configuration says of services: of all of them, if there is no other choice, with
// what is about the repository as a whole.
func (a *app) scheduleServices(c *cli.Context, names []string) error {
	plan, err := a.newPlan(c)
	if err != nil {
		return err
	}
	for _, name := range names {
		a.warnAbsent(name, a.config.Services[name])
		plan.capture(name, a.config.Services[name])
		if c.Bool("all") {
			plan.rehearse(name, a.config.Services[name])
		}
	}
	if c.Bool("all") {
		plan.retire(names)
		if err := plan.checks(a); err != nil {
			return err
		}
	}
	for _, j := range plan.jobs {
		if err := a.checkJob(c, j); err != nil {
			return err
		}
	}
	if !c.Bool("cron") {
		if err := units.CheckNames(plan.jobs); err != nil {
			return err
		}
	}
	return a.printJobs(c, plan.jobs)
}

// warnAbsent warns of sources of a service that are not there, unless --before may make them. Units are written all the same: a
// volume of one service may be away while others are scheduled.
func (a *app) warnAbsent(name string, s *config.Service) {
	for _, named := range s.Source {
		_, path, err := sources.Split(named)
		if err != nil || s.Before != "" {
			continue
		}
		if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
			a.Warn("service %s: source %s is not there: each run fails until it is.", screen.Printable(name), screen.Printable(path))
		}
	}
}

// plan is what is scheduled by a configuration. Its commands read the configuration again at
// each run, so that a change of it needs no new units, but where it changes what a unit allows.
type plan struct {
	config *config.Settings
	common units.Job // what all jobs have
	when   string    // of captures, if the command line says it
	path   string    // of the configuration
	jobs   []*units.Job
}

func (a *app) newPlan(c *cli.Context) (*plan, error) {
	if n := len(a.config.Paths); n != 1 { // a user's own is found by variables that a unit does not have
		last := a.config.Paths[n-1]
		return nil, usagef("kist schedule: a timer runs without your environment and is told which one configuration it reads, and here %s hold together. Put what %s says into %s, and give --config %s",
			screen.Line(strings.Join(a.config.Paths, " and ")), screen.Line(last), screen.Line(a.config.Paths[0]), screen.Line(a.config.Paths[0]))
	}
	p := &plan{config: a.config, path: paths.Absolute(a.config.Paths[0])}
	if c.IsSet("on-calendar") {
		p.when = c.String("on-calendar")
	}
	var err error
	if p.common.Program, err = a.program(); err != nil {
		return nil, err
	}
	if p.common.Secret, err = a.scheduledSecret(); err != nil {
		return nil, err
	}
	place, err := a.repositoryPlace()
	if err != nil {
		return nil, err
	}
	if err := a.scheduleRepository(&p.common, place); err != nil {
		return nil, err
	}
	p.common.Patience = a.scheduledPatience()
	p.common.Tells = a.config.Metrics
	if p.common.OnFailure = cmp.Or(c.String("on-failure"), a.config.OnFailure); p.common.OnFailure != "" && !c.Bool("cron") {
		err = units.CheckName(p.common.OnFailure)
	}
	return p, err
}

// add adds a job, and gives it.
func (p *plan) add(name, what, when string) *units.Job {
	j := p.common
	j.Name, j.What, j.When = name, what, when
	p.jobs = append(p.jobs, &j)
	return &j
}

// command adds a command that reads the configuration.
func (p *plan) command(j *units.Job, name string, words ...string) {
	own := []string{name, "--quiet", "--config", p.path}
	if p.config.GiveUp == "" { // else the file says it at each run
		own = append(own, "--give-up", j.Patience)
	}
	if j.Tells != "" && name != "retire" && name != "rehearse" {
		own = append(own, "--metrics="+j.Tells)
	}
	j.Commands = append(j.Commands, append(own, words...))
}

// capture schedules captures of a service. What the unit lets them do is what the configuration
// says now.
func (p *plan) capture(name string, s *config.Service) {
	j := p.add(name, "Capture "+name, cmp.Or(p.when, s.OnCalendar, defaultCaptures))
	j.Container = len(s.Container) > 0
	j.Share = shareOf(j.Writes)
	j.Stops = s.Stop || s.After != ""
	j.Runs = len(s.From) > 0 || s.Before+s.After+s.VersionFrom != ""
	for _, named := range s.Source {
		if _, path, err := sources.Split(named); err == nil { // as the configuration was read
			j.Reads = append(j.Reads, path)
		}
	}
	p.command(j, "capture", "--service="+name)
}

// rehearse schedules rehearsals of a service that has a table for them.
func (p *plan) rehearse(name string, s *config.Service) {
	if s.Rehearse == nil {
		return
	}
	j := p.add("rehearse-"+name, "Rehearse captures of "+name, cmp.Or(s.Rehearse.OnCalendar, defaultOthers))
	// The engine, and owners of what is restored, need the machine as it is; what is killed is cleared away.
	j.Container, j.Stops = true, true
	p.command(j, "rehearse", "--service="+name)
}

// retire schedules the rotations of all services that have rules, and then reclaiming.
func (p *plan) retire(names []string) {
	names = slices.DeleteFunc(slices.Clone(names), func(name string) bool { return p.config.RulesOf(p.config.Services[name]) == nil })
	if len(names) == 0 {
		return
	}
	when := ""
	if p.config.Retire != nil {
		when = p.config.Retire.OnCalendar
	}
	j := p.add("retire", "Retire captures by a rotation and reclaim space", cmp.Or(when, defaultOthers))
	for _, name := range names {
		p.command(j, "retire", "--service="+name)
	}
	p.command(j, "reclaim")
}

// checks schedules copies to a second place, verifications and looks whether all is well, where the configuration has a
// table for them.
func (p *plan) checks(a *app) error {
	if r := p.config.Replicate; r != nil {
		p.check("replicate", "Copy captures to the second place", r, cmp.Or(r.OnCalendar, defaultCaptures))
		j := p.jobs[len(p.jobs)-1]
		other, err := a.parsePlace(p.config.Replica)
		if err != nil {
			return err
		}
		if err := a.scheduleOther(j, other); err != nil {
			return err
		}
	}
	if v := p.config.Verify; v != nil {
		p.check("verify", "Verify the captures", v, cmp.Or(v.OnCalendar, defaultOthers))
	}
	if s := p.config.Status; s != nil {
		p.check("status", "Look whether all captures are well", s, cmp.Or(s.OnCalendar, defaultStatus))
	}
	return nil
}

func (p *plan) check(command, what string, table any, when string) {
	var words []string
	for _, flag := range config.FlagsOf(table) {
		words = append(words, flag.Words()...)
	}
	p.command(p.add(command, what, when), command, words...)
}

// checkJob refuses what would be no unit or no line of a crontab.
func (a *app) checkJob(c *cli.Context, j *units.Job) error {
	if err := units.CheckCalendar(c.Context, j.When); err != nil {
		return fmt.Errorf("%s: %w", screen.Text(j.What), err)
	}
	if c.Bool("cron") {
		_, err := j.Cron()
		return err
	}
	return j.CheckSecret()
}

// printJobs prints jobs, or writes them.
func (a *app) printJobs(c *cli.Context, jobs []*units.Job) error {
	if dir := c.String("units"); dir != "" && !c.Bool("cron") {
		if err := units.WriteAll(dir, jobs); err != nil {
			return err
		}
	}
	var timers []string
	for i, j := range jobs {
		switch {
		case c.Bool("cron"):
			line, err := j.Cron()
			if err != nil {
				return err
			}
			a.Printf("%s", line)
		case c.String("units") == "":
			if i > 0 {
				a.Printf("\n")
			}
			a.Printf("# %s\n%s\n# %s\n%s", j.FileName("service"), j.Service(), j.FileName("timer"), j.Timer())
		}
		timers = append(timers, j.FileName("timer"))
	}
	if c.String("units") != "" {
		a.Say("Next: systemctl daemon-reload && systemctl enable --now %s", screen.Text(strings.Join(timers, " ")))
	}
	return nil
}
