package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/rehearse"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/watch"
	"github.com/kistarchive/kist/store"
)

func (a *app) rehearseCommand() *cli.Command {
	return &cli.Command{
		Name:      "rehearse",
		Usage:     "restore a capture into a scratch place, and see whether the service comes up on it",
		ArgsUsage: "CAPTURE, or --newest [NAME…]",
		Flags: []cli.Flag{
			&cli.BoolFlag{Name: "newest", Usage: "the newest capture of each name and host, or of each NAME that is given"},
			&cli.StringFlag{Name: "scratch", Usage: "restore into a new folder in `DIR`, which is removed again; by default in TMPDIR or /var/tmp"},
			&cli.DurationFlag{Name: "watch", Value: time.Minute, Usage: "how long the service must stay up, as 60s or 5m (`TIME`)"},
			&cli.StringFlag{Name: "healthy", Usage: "`COMMAND` for the shell whose exit status 0 says that the service is well; it has the name of the throw-away container in KIST_CONTAINER"},
			&cli.StringSliceFlag{Name: "container", Usage: "of a capture of several: start the container `NAME` alone; may be given several times"},
			&cli.StringSliceFlag{Name: "lend", Usage: "also mount, read-only, what this machine has for the container at `PATH` and the capture lacks; may be given several times"},
			&cli.BoolFlag{Name: "data-only", Usage: "start nothing: restore and compare alone"},
			&cli.BoolFlag{Name: "accept-little-space", Usage: "begin though the file system seems to have too little room"},
			engineFlag(),
		},
		Description: `
All volumes are restored into a scratch folder, which proves their contents, and compared
with the capture: members, sizes, times, modes and owners. Of a capture of a container, a
throw-away container is then made as that one was, of the image that was recorded, with the
restored volumes in place of its own. It must run without a restart for as long as --watch
says, be healthy by the image's own health check where it has one, and by --healthy, such
as 'podman exec $KIST_CONTAINER /ask'. Then all of it is removed, whatever happens; after
a kill, by the next kist rehearse or by kist resume.

The throw-away container has no network and no ports, none of the labels, no devices, is not
privileged and shares nothing with the machine. What was mounted and is not in the
capture, as what was mounted read-only, is missing, unless --lend mounts it. A service that
needs others does not come up alone: --data-only is for that, or --container for one of several.

How it went is kept with the capture: kist list and kist show tell it. Exit status 0: it
came up, or, where there is nothing to start, all came back; 3: it did not; 1: it could not
be tried, and nothing is kept of that.

Example:
  kist rehearse seedbank@latest
  kist rehearse seedbank@latest --watch 2m \
    --healthy 'podman exec $KIST_CONTAINER /seedbank check'
  kist rehearse --newest --data-only --scratch /srv/spare
  kist schedule --rehearse --on-calendar weekly`,
		Action: a.rehearse,
	}
}

func (a *app) rehearsalKeeper() *rehearse.Keeper {
	return &rehearse.Keeper{Screen: a.Screen, Folder: func() (string, error) { return places.Notes(a.getenv) }, Engine: a.engine}
}

// rehearsing is how captures are rehearsed.
type rehearsing struct {
	app    *app
	r      *repository
	keeper *rehearse.Keeper
	engine *engine.Engine

	scratch     string
	watch       watch.Options
	only        []string // containers; nil: all
	lend        []string
	dataOnly    bool
	littleSpace bool
}

func rehearseUsage(c *cli.Context) error {
	switch {
	case c.Bool("newest"):
	case c.NArg() != 1:
		return usagef("rehearse: which capture? Give one, or --newest")
	}
	if err := checkTrial(c); err != nil {
		return err
	}
	switch {
	case c.Bool("newest") && c.IsSet("container"):
		return usagef("rehearse: --container goes with one CAPTURE")
	case slices.Contains(c.Args().Slice(), "") && c.Bool("newest"):
		return usagef("rehearse: a NAME is empty")
	}
	return needShell(c.String("healthy"))
}

// checkTrial refuses flags about what is started that can't be meant.
func checkTrial(c *cli.Context) error {
	switch {
	case c.Duration("watch") < 0:
		return usagef("rehearse: --watch %s: it is less than nothing", c.Duration("watch"))
	case c.Bool("data-only") && (c.IsSet("watch") || c.IsSet("healthy") || len(c.StringSlice("container")) > 0 || c.IsSet("lend")):
		return usagef("rehearse: with --data-only nothing is started: it goes with none of --watch, --healthy, --container and --lend")
	}
	return nil
}

func (a *app) rehearse(c *cli.Context) error {
	if err := rehearseUsage(c); err != nil {
		return err
	}
	s := &rehearsing{
		app: a, keeper: a.rehearsalKeeper(), engine: a.engine(a.engineProgram(c)), scratch: c.String("scratch"),
		watch: watch.Options{For: c.Duration("watch"), Healthy: c.String("healthy")},
		only:  c.StringSlice("container"), lend: c.StringSlice("lend"),
		dataOnly: c.Bool("data-only"), littleSpace: c.Bool("accept-little-space"),
	}
	if s.scratch == "" {
		s.scratch = places.Scratch(a.getenv)
	} else if err := a.checkOutside(s.scratch, false); err != nil {
		return err
	}
	if err := s.keeper.RemoveLeft(c.Context); err != nil {
		a.Warn("%s", screen.Text(err.Error()))
	}
	var err error
	a.itself = true
	if c.Bool("newest") {
		if s.r, err = a.open(c.Context); err != nil {
			return err
		}
		defer s.r.Close()
		return s.newest(c.Context, c.Args().Slice())
	}
	var capture *store.Capture
	if s.r, capture, err = a.openOf(c.Context, c.Args().First()); err != nil {
		return err
	}
	defer s.r.Close()
	if s.watch.Healthy != "" && len(containers.Parts(capture.Labels)) == 0 {
		return usagef("rehearse: --healthy: capture %s is of no container, so that nothing is started which could be asked; it is restored and compared without", capture.ID)
	}
	out, err := s.rehearse(c.Context, capture)
	if out != nil && a.JSON {
		return errors.Join(a.PrintJSON(out), err)
	}
	return err
}

// newest rehearses the newest captures, each whatever became of the others.
func (s *rehearsing) newest(ctx context.Context, names []string) error {
	l, err := s.app.listing(ctx, s.r)
	if err != nil {
		return err
	}
	captures, err := newestCaptures(l, names, s.app.host, time.Now())
	if err != nil {
		return err
	}
	if len(captures) == 0 && s.app.host != "" {
		return missing(fmt.Errorf("a capture of host %s: there is none, or none but retired and future ones", screen.Line(s.app.host)))
	}
	if len(captures) == 0 {
		s.app.Say("No captures.")
	}
	results, failed, status := []*rehearsedJSON{}, 0, statusFailed
	for _, capture := range captures {
		out, err := s.rehearse(ctx, capture)
		if out == nil {
			out = newRehearsedJSON(capture)
		}
		results = append(results, out)
		if ctx.Err() != nil {
			return err
		}
		if err == nil {
			continue
		}
		failed++
		if statusOf(err) == statusDamage {
			status = statusDamage
		}
		out.Error = err.Error()
		s.app.Warn("%s", screen.Text(err.Error()))
	}
	if s.app.JSON {
		err = s.app.PrintJSON(results)
	}
	if l.Damage != nil {
		failed, status = failed+1, statusDamage
	}
	if failed > 0 {
		return errors.Join(err, &statusError{status, fmt.Errorf("%s: not all is well: see above", screen.Count(len(captures), "capture", "captures"))})
	}
	return err
}

// newestCaptures gives the newest capture of each name and host, or of those of some names: none that is retired, or of
// the future.
func newestCaptures(l *store.Listing, names []string, host string, now time.Time) (newest []*store.Capture, err error) {
	type service struct{ name, host string }
	at := make(map[service]int)
	for _, c := range l.Captures {
		if c.Retired != nil || host != "" && c.Host != host || len(names) > 0 && !slices.Contains(names, c.Name) || c.Taken.After(now.Add(store.ClockTolerance)) {
			continue
		}
		of := service{c.Name, c.Host}
		if i, ok := at[of]; !ok {
			at[of] = len(newest)
			newest = append(newest, c)
		} else if c.Taken.After(newest[i].Taken) || c.Taken.Equal(newest[i].Taken) && c.Written.After(newest[i].Written) {
			newest[i] = c
		}
	}
	for _, name := range names {
		if service, word, at := strings.Cut(name, "@"); at {
			return nil, usagef("rehearse: --newest takes names, such as %s: without --newest, %s is the capture that @%s stands for", screen.Line(service), screen.Line(name), screen.Line(word))
		}
		if !slices.ContainsFunc(newest, func(c *store.Capture) bool { return c.Name == name }) {
			return nil, missing(fmt.Errorf("a capture of %s: there is none, or none but retired and future ones", screen.Line(name)))
		}
	}
	return newest, nil
}
