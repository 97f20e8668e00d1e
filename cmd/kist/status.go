package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/kept"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
	"github.com/kistarchive/kist/store"
)

func (a *app) statusCommand() *cli.Command {
	return &cli.Command{
		Name:  "status",
		Usage: "tell whether all is well, on one screen",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "only the service `NAME`"},
			&cli.StringFlag{Name: "older-than", Usage: "a last capture that was taken longer ago than `TIME`, as 26h, 7d or 2w, is too old; by default none is"},
			metricsFlag(),
		},
		Description: `
The first line is the verdict: "All is well.", or what is wanted, the worst first. Exit status
0: all is well. 3: what is stored is damaged, as far as is known: the last verification found
damage, index files can't be read, or captures are missing. 1: something else is wanted: a last
capture is too old (--older-than), or more than half of a volume is gone in it; the latest
rehearsal of a service failed; of a service of the configuration (kist help config) there is no
capture; captures are dated in the future, so that some clock is wrong;
an upgrade did not come to its end, or a container was left stopped, on this machine; the bucket
ignored conditional writes when this machine last wrote there.

Nothing is opened but index files and marks: it knows what kist verify and kist rehearse found
when they were last run. Damage that was found stands until a verification finds none that
would have found it: --full, unless it showed without. Upgrades, containers and what is set
aside are those of this machine and user: run it where the captures are made. What is dated in
the future never makes anything fresh. A service of which all captures were retired is told,
and nothing is wanted of it.

Example:
  kist status
  kist status --older-than 26h
  kist status --name seedbank --host hazel --json
  kist status --older-than 26h --metrics /var/lib/node-exporter/kist.prom`,
		Action: a.metering(a.status),
	}
}

// state is how the repository and this machine are.
type state struct {
	*store.Status
	grace     time.Duration
	free      int64 // bytes on the medium; -1: nothing tells
	upgrades  []upgrade.Open
	beside    []upgrade.SetAside // containers that were set aside, and run
	stopped   []stopped.Noted
	aside     []kept.Found
	waiting   []*store.Capture // in the spool
	unread    []string         // of what waits there
	strayed   []strayed        // spools of places that are not found
	elsewhere []*waitElsewhere // in the spool, for another repository
	ignores   *ignoring        // the bucket: the condition of writes, as far as this machine saw
	never     []service        // that the configuration says, and of which no capture is known
}

// service is a name and a host.
type service struct{ name, host string }

func (a *app) status(c *cli.Context) (err error) {
	a.metrics.Set("well", "Whether nothing was wanted when kist status last looked.", 0) // if it does not come to a verdict
	if err := cmdline.WantArgs(c, 0, 0); err != nil {
		return err
	}
	o := store.StatusOptions{Name: c.String("name"), Host: a.host}
	if o.OlderThan, err = olderThan(c); err != nil {
		return err
	}
	r, err := a.openOrSpool(c.Context)
	if err != nil {
		return a.statusAlone(c.Context, err)
	}
	defer r.Close()
	s, err := a.findState(c.Context, r, o)
	if err != nil {
		return err
	}
	if len(s.Services)+len(s.never) == 0 && (o.Name != "" || o.Host != "") && len(s.Unread) == 0 {
		return missing(fmt.Errorf("no capture is, or was and can be taken back, of %s (kist list shows what there is)", askedText(o)))
	}
	wanted := s.wanted()
	a.measureStatus(s, wanted)
	if a.JSON {
		err = a.PrintJSON(newStatusJSON(s, wanted))
	} else {
		err = a.printStatus(s, wanted)
	}
	if err == nil {
		err = verdict(wanted)
	}
	return err
}

// statusAlone tells which captures are in the spool, where the repository could not be opened.
func (a *app) statusAlone(ctx context.Context, why error) error {
	if !isAway(why) || a.JSON {
		return why
	}
	s, err := a.spoolAlone(ctx)
	if err != nil {
		return why // which says that none could be reached
	}
	defer s.Close()
	all, err := s.Captures(ctx)
	if err != nil || len(all) == 0 {
		return errors.Join(why, err)
	}
	waits := make(map[string]bool)
	for _, c := range all {
		waits[c.ID] = !s.place.IsSent(c.ID)
	}
	return errors.Join(a.printCaptures(ctx, s.repository, all, waits), &alsoError{why, "What is listed is in the spool on this machine; of the repository nothing is known."})
}

// olderThan gives the age that is too old, or 0.
func olderThan(c *cli.Context) (time.Duration, error) {
	text := c.String("older-than")
	if text == "" {
		return 0, nil
	}
	d, err := cmdline.Duration(text)
	if err != nil || d == 0 {
		return 0, usagef("--older-than %q: write it as 26h, 7d or 2w", text)
	}
	return d, nil
}

// available gives how many bytes are free where the repository lies.
func (a *app) available(ctx context.Context, r *repository) (free int64, ok bool) {
	if r.at.InBucket() {
		return 0, false
	}
	type room struct {
		free int64
		ok   bool
	}
	got, err := ask(ctx, r.waited, "statfs", func() (room room) {
		room.free, room.ok = files.Available(r.at.Path())
		return room
	})
	return got.free, got.ok && err == nil
}

// findState looks at the repository and at this machine.
func (a *app) findState(ctx context.Context, r *repository, o store.StatusOptions) (*state, error) {
	s := &state{grace: r.Grace(), free: -1}
	var err error
	if s.Status, err = r.Status(ctx, o); err != nil {
		return nil, err
	}
	if free, ok := a.available(ctx, r); ok {
		s.free = free
	}
	// What can't be read was warned of by recovering, before this command.
	s.upgrades, _ = a.upgrader(a.reopened(false)).Opened()
	s.stopped, _ = a.keeper().Noted()
	s.beside = a.asideRunning(ctx)
	s.aside, _ = a.book().Find()
	s.strayed = a.strayed(r)
	spooled, waiting, unread, err := a.waiting(ctx, r, nil)
	s.unread = unread
	if spooled != nil {
		s.waiting = waiting
		spooled.Close()
	}
	if err != nil {
		return nil, err
	}
	s.elsewhere = a.waitElsewhere(spoolName(r.Repository))
	if at, err := a.repositoryPlace(); err == nil { // a spool may be what is open
		s.ignores = a.ignoresCondition(at)
	}
	s.never = a.neverCaptured(s, o)
	return s, nil
}

// neverCaptured gives the services of the configuration of which there is no capture, not even one that is retired or waits.
// Of another repository than that of the configuration it asks nothing.
func (a *app) neverCaptured(s *state, o store.StatusOptions) (never []service) {
	if at, err := a.repositoryPlace(); err != nil || a.config.Repository != "" && at.Full() != where.Full(a.config.Repository, a.getenv) {
		return nil
	}
	for _, name := range slices.Sorted(maps.Keys(a.config.Services)) {
		of := a.config.Services[name]
		one := service{cmp.Or(of.Name, name), cmp.Or(of.Host, hostName())}
		switch {
		case o.Name != "" && o.Name != one.name, o.Host != "" && o.Host != one.host, slices.Contains(never, one):
		case slices.ContainsFunc(s.Services, func(is store.ServiceStatus) bool { return is.Name == one.name && is.Host == one.host }):
		case slices.ContainsFunc(s.waiting, func(c *store.Capture) bool { return c.Name == one.name && c.Host == one.host }):
		default:
			never = append(never, one)
		}
	}
	return never
}

// asideRunning gives the containers that upgrades set aside and that run all the same. What no engine tells is no reason to tell
// nothing of the repository.
func (a *app) asideRunning(ctx context.Context) []upgrade.SetAside {
	all, _ := a.upgrader(nil).SetAside(ctx)
	return slices.DeleteFunc(all, func(x upgrade.SetAside) bool { return !x.Running || x.Needed == upgrade.NeededStill })
}

// verdict is the exit status.
func verdict(wanted []want) error {
	status := statusDone
	for _, w := range wanted {
		if w.damage {
			return &statusError{status: statusDamage}
		}
		status = statusFailed
	}
	if status == statusDone {
		return nil
	}
	return &statusError{status: status}
}
