package main

import (
	"cmp"
	"errors"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
)

func byCommandsUsage(c *cli.Context) error {
	if err := cmdline.WantArgs(c, 1, -1); err != nil {
		return err
	}
	for _, flag := range []string{"down", "up", "healthy", "version"} {
		if c.String(flag) == "" {
			return usagef("upgrade: without --container, --down, --up, --healthy and --version are needed, and folders as SOURCE: --%s is missing", flag)
		}
	}
	for _, flag := range []string{"exclude-mount", "accept-lost-settings", "accept-copying", "accept-shared", "accept-dependents", "engine"} {
		if c.IsSet(flag) {
			return usagef("upgrade: --%s goes with --container", flag)
		}
	}
	if c.String("version") == c.String("to") {
		return usagef("upgrade: --version and --to are both %s: --version is what runs now, --to what is to run", screen.Line(c.String("to")))
	}
	return nil
}

// upgradeByCommands upgrades what is no container.
func (a *app) upgradeByCommands(c *cli.Context) error {
	if c.Bool("undo") {
		return a.undoByCommands(c)
	}
	s := &capturing{app: a, acceptEmpty: c.Bool("accept-empty")}
	s.options.Host, s.options.Version = hostName(), c.String("version")
	s.options.Note = "before the upgrade to " + c.String("to")
	s.options.Labels = make(map[string]string)
	whole, err := upgrade.Whole(c.Args().Slice())
	if err != nil {
		return err
	}
	if s.sources, err = sources.Find(whole, a.stdin, false, sources.Reading{}); err != nil {
		return err
	}
	for _, from := range s.sources {
		if from.Kind != sources.Folder {
			return usagef("upgrade: %s is no folder: its data could not be put back", screen.Line(from.Path))
		}
		if err := a.checkOutside(from.Path, true); err != nil {
			return err
		}
	}
	s.options.Name = cmp.Or(c.String("name"), s.sources[0].Name)
	q := &upgrade.ByCommands{
		Name: s.options.Name, From: c.String("version"), To: c.String("to"), Down: c.String("down"), Up: c.String("up"),
		Places: whole, Watch: c.Duration("watch"), Healthy: c.String("healthy"), AcceptUnhealthy: c.Bool("accept-unhealthy"),
	}
	if err := a.checkNoUpgrade(nil, whole); err != nil {
		return err
	}
	if !c.Bool("accept-version") {
		if err := madeOther(a.upgrader(nil).CheckMade(q)); err != nil {
			return err
		}
	}
	if q.Repository, q.KeyFile, q.PassphraseFile, err = a.wholePaths(); err != nil {
		return err
	}
	d, err := a.openUpgrade(c, s)
	if err != nil {
		return err
	}
	defer d.Close()
	if c.Bool("dry-run") {
		return errors.Join(d.checkRoom(c.Context), a.printPlan(q.Plan()))
	}
	o, err := a.upgrader(a.reopened(true)).UpgradeByCommands(c.Context, q, d)
	d.deliver(c.Context)
	return a.reportUpgrade(o, err)
}

// madeOther marks what does not fit an earlier upgrade as a wrong use.
func madeOther(err error) error {
	if made, ok := errors.AsType[*upgrade.MadeError](err); ok {
		return usagef("%s", screen.Line(made.Error()))
	}
	return err
}

func (a *app) undoByCommands(c *cli.Context) error {
	u := a.upgrader(a.reopened(true))
	done, err := u.MadeByCommands(c.String("name"))
	if errors.Is(err, upgrade.ErrNoUpgrade) {
		return missing(err)
	}
	if err != nil {
		return err
	}
	watchAsked(c, done)
	return a.undoing(c, done, done.UndoPlan("", done.Container, time.Now()), func(data upgrade.Data) (*upgrade.Outcome, error) {
		return u.UndoByCommands(c.Context, done, data)
	})
}
