package main

import (
	"context"
	"errors"
	"fmt"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/places"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/secrets"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/upgrade"
	"github.com/kistarchive/kist/cmd/kist/internal/where"
)

func (a *app) upgradeCommand() *cli.Command {
	return &cli.Command{
		Name:        "upgrade",
		Usage:       "put a new version of a service in its place, and go back if it does not come up",
		ArgsUsage:   "--container NAME --to IMAGE, or --down COMMAND --up COMMAND --healthy COMMAND --to VERSION SOURCE…",
		Flags:       upgradeCommandFlags(),
		Description: upgradeHelp,
		Action:      a.upgrade,
	}
}

func upgradeCommandFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringFlag{Name: "container", Usage: "upgrade the container `NAME`"},
		&cli.StringFlag{Name: "to", Usage: "the new `IMAGE`; :TAG keeps the image's name. With --up: the new version"},
		&cli.StringFlag{Name: "down", Usage: "of what is no container: `COMMAND` for the shell that stops it"},
		&cli.StringFlag{Name: "up", Usage: "of what is no container: `COMMAND` for the shell that starts the version in KIST_VERSION"},
		&cli.StringFlag{Name: "name", Usage: "of what is no container: `NAME` of the service; by default that of the first source"},
		&cli.DurationFlag{Name: "watch", Value: time.Minute, Usage: "how long the new version must stay up to be found well, as 60s or 5m (`TIME`)"},
		&cli.StringFlag{Name: "healthy", Usage: "`COMMAND` for the shell whose exit status 0 says that the service is well; it has the container's name in KIST_CONTAINER"},
		&cli.BoolFlag{Name: "accept-lost-settings", Usage: "upgrade though settings of the container can't be made again: the new version runs without them"},
		&cli.BoolFlag{Name: "accept-copying", Usage: "upgrade though a volume can't be reached on this machine: going back would copy over it, and what a new version adds there would stay"},
		&cli.BoolFlag{Name: "accept-shared", Usage: "upgrade though another container that runs writes to the same data: going back would exchange it under that one"},
		&cli.BoolFlag{Name: "accept-dependents", Usage: "upgrade, or go back, though other containers depend on this one: they stay bound to it when it is set aside"},
		&cli.BoolFlag{Name: "accept-damage", Usage: "upgrade though the repository is damaged: going back may fail"},
		&cli.BoolFlag{Name: "accept-unhealthy", Usage: "do not ask by --healthy first whether the version that runs now is well"},
		&cli.BoolFlag{Name: "accept-version", Usage: "upgrade though by an upgrade on this machine another version runs than --version says, or --to is the one that it took the place of"},
		&cli.BoolFlag{Name: "accept-empty", Usage: "capture a folder though it is empty, or was a mount point and nothing is mounted there"},
		&cli.StringSliceFlag{Name: "exclude-mount", Usage: "neither capture nor bring back what is mounted at `PATH`; may be given several times"},
		&cli.StringFlag{Name: "version", Usage: "`VERSION` of the service that runs now; by default the tag of its image. With --up it is needed: that is what it goes back to"},
		&cli.BoolFlag{Name: "spool", Usage: "capture into the spool on this machine also where the repository lies on a disk of it"},
		&cli.BoolFlag{Name: "no-spool", Usage: "capture into the repository at once, also where it lies on a share"},
		&cli.BoolFlag{Name: "undo", Usage: "go back to what the last upgrade took the place of"},
		&cli.BoolFlag{Name: "dry-run", Usage: "show each step and the engine's commands, and change nothing"},
		engineFlag(),
	}
}

const upgradeHelp = `
Before anything is stopped: the image is fetched if it is not there, the new container
is made, with the mounts, environment, ports, networks, restart policy, user, limits,
health check and labels of the old one, and held against it. What did not come over is
named, and ends it, unless --accept-lost-settings is given. The volumes are read once, and
what their capture will consist of; where that is damaged it ends, too (--accept-damage).

Then the service stops, its data is captured, the old container is set aside as
NAME-before-DATE, and the new one is started and watched: it must run without a
restart, be healthy by the image's own health check where it has one, and by --healthy.
--healthy is asked first of the version that runs, since a command that says no
to it would take any for a bad one (--accept-unhealthy leaves that out).
Until it is found well it has no restart policy. Then it gets that of the old one; an engine
that can't change a policy makes it once more for it: the service is down a second time, for
some seconds, and watched again.
If it is not, or anything fails, or kist is interrupted or killed (the next kist command,
or kist resume, goes on), the new container is set aside as NAME-failed-DATE, the old
one gets its name back, the volumes get the data of the capture, and it is started. What
the volumes held is kept beside them.

With --down and --up the same is done to a service that a compose file or a unit makes,
with the folders of its data as SOURCE. Both commands find the version in KIST_VERSION:
the one of --to when it goes forward, the one of --version when it goes back. They may be
run when nothing is left to do, and --up must return once the service is started.
What an earlier upgrade on this machine made the service is known: a --version that is
another is refused, and so is --to for the version before, to which --undo goes back with
its data. --accept-version takes it all the same.

Where the repository lies on a share the capture goes through the spool on this machine, as with
kist capture (--no-spool, --spool): the service is not down for the share, going back reads
from the spool, and the capture is sent when the upgrade is at its end, well or not.

--undo goes back later in the same way, but not while another container runs that writes
to the same data. It goes by the capture in the repository that the upgrade went by, whatever
KIST_REPOSITORY says by then. Exit status 0 only if the version that was asked for runs.

Example:
  kist upgrade --container seedbank --to :4.2.0
  kist upgrade --container seedbank --to seedbank:4.2.0 --watch 2m \
    --healthy 'curl -fsS http://localhost:8420/'
  kist upgrade --container seedbank --to :4.2.0 --dry-run
  kist upgrade --container seedbank --undo
  kist upgrade --name seedbank --version 4.1.0 --to 4.2.0 \
    --healthy 'curl -fsS http://localhost:8420/' --down 'compose-tool down' \
    --up 'SEEDBANK=$KIST_VERSION compose-tool up --detach' /srv/seedbank
  kist upgrade --name seedbank --undo`

// upgrader gives what upgrades.
func (a *app) upgrader(open func(context.Context, *upgrade.Record) (upgrade.Data, error)) *upgrade.Upgrader {
	return &upgrade.Upgrader{
		Screen: a.Screen, Folder: func() (string, error) { return places.Notes(a.getenv) }, Engine: a.engine, Open: open, Held: a.checkNotHeld,
	}
}

// reopened gives the repository of an upgrade that a killed run left. prompt allows to ask for a passphrase.
func (a *app) reopened(prompt bool) func(context.Context, *upgrade.Record) (upgrade.Data, error) {
	return func(ctx context.Context, r *upgrade.Record) (upgrade.Data, error) {
		data, err := a.reopen(ctx, r, prompt)
		if err != nil {
			return nil, err
		}
		return data, nil
	}
}

// reopen opens the repository that the record of an upgrade names, by what the flags name, or else the record.
func (a *app) reopen(ctx context.Context, r *upgrade.Record, prompt bool) (*upgradeData, error) {
	b := *a
	b.shared.repository = r.Repository
	if b.shared.passphraseFile == "" && b.shared.keyFile == "" {
		b.shared.passphraseFile, b.shared.keyFile = r.PassphraseFile, r.KeyFile
	}
	if !prompt {
		files, err := b.secretFiles()
		if err == nil && files == (secrets.Files{}) {
			err = errors.New("nothing but a person knows the passphrase: kist resume asks for it")
		}
		if err != nil {
			return nil, err
		}
	}
	return b.upgradedFrom(ctx, r.Capture)
}

func (a *app) upgrade(c *cli.Context) error {
	if err := upgradeUsage(c); err != nil {
		return err
	}
	if c.String("container") == "" {
		return a.upgradeByCommands(c)
	}
	target, err := a.findContainer(c, c.String("container"))
	if c.Bool("undo") && (err == nil || errors.Is(err, engine.ErrNotFound)) {
		return a.undoUpgrade(c, target, err)
	}
	if err != nil {
		return err
	}
	if err := a.checkNotHeld(&upgrade.Record{Old: target.ID}); err != nil {
		return err
	}
	if err := checkPaused(target); err != nil {
		return err
	}
	if !target.Running {
		return usagef("container %s: %w", screen.Line(target.Name), upgrade.ErrNotRunning)
	}
	request, err := a.upgradeRequest(c, target)
	if err != nil {
		return err
	}
	if err := a.checkNoUpgrade([]*containers.Container{target}, nil); err != nil {
		return err
	}
	if !c.Bool("accept-version") {
		if err := madeOther(a.upgrader(nil).CheckMadeContainer(request)); err != nil {
			return err
		}
	}
	s, err := a.upgradeCapturing(c, target)
	if err != nil {
		return err
	}
	for _, from := range s.sources {
		if from.Kind != sources.Copy {
			request.Places = append(request.Places, paths.Absolute(from.Path))
		}
	}
	d, err := a.openUpgrade(c, s)
	if err != nil {
		return err
	}
	defer d.Close()
	if c.Bool("dry-run") {
		return a.planUpgrade(c.Context, request, s)
	}
	o, err := a.upgrader(a.reopened(true)).Upgrade(c.Context, request, d)
	d.deliver(c.Context)
	return a.reportUpgrade(o, err)
}

func upgradeUsage(c *cli.Context) error {
	switch {
	case c.String("container") == "" && c.Bool("undo") && c.String("name") == "":
		return usagef("upgrade: of which service? Give --container NAME or --name NAME")
	case c.String("container") == "" && !c.Bool("undo"):
		if err := byCommandsUsage(c); err != nil {
			return err
		}
	default:
		if err := cmdline.WantArgs(c, 0, 0); err != nil {
			return err
		}
		if c.String("container") != "" && (c.IsSet("down") || c.IsSet("up") || c.IsSet("name")) {
			return usagef("upgrade: --down, --up and --name are for what is no container: the engine stops and starts %s", screen.Line(c.String("container")))
		}
	}
	switch {
	case c.Bool("undo") && slices.ContainsFunc(forwardFlags, c.IsSet):
		return usagef("upgrade: --undo goes back to what was: it takes neither --to nor how to make it")
	case !c.Bool("undo") && c.String("to") == "" && c.String("container") == "":
		return usagef("upgrade: to which version? Give --to VERSION")
	case !c.Bool("undo") && c.String("to") == "":
		return usagef("upgrade: to which image? Give --to IMAGE, or --to :TAG")
	case strings.HasPrefix(c.String("to"), ":") && c.String("container") == "":
		return usagef("upgrade: --to %s keeps the name of a container's image, and here is none: give the version as --up takes it, such as --to %s", screen.Line(c.String("to")), screen.Line(strings.TrimPrefix(c.String("to"), ":")))
	case c.Bool("spool") && c.Bool("no-spool"):
		return usagef("upgrade: --spool and --no-spool are both given")
	case c.Duration("watch") < 0:
		return usagef("upgrade: --watch %s: it is less than nothing", c.Duration("watch"))
	}
	if c.String("healthy")+c.String("up") != "" {
		if _, err := exec.LookPath("sh"); err != nil {
			return fmt.Errorf("commands need a shell: %w", err)
		}
	}
	return nil
}

// forwardFlags say what an upgrade goes to, and how.
var forwardFlags = []string{
	"to", "version", "exclude-mount", "accept-version", "accept-lost-settings", "accept-copying", "accept-shared", "accept-damage", "accept-empty", "accept-unhealthy", "spool", "no-spool",
}

// upgradeRequest is what the command line asks for.
func (a *app) upgradeRequest(c *cli.Context, target *containers.Container) (*upgrade.Request, error) {
	q := &upgrade.Request{
		Engine: target.Engine, Container: target.Container, Image: target.Image, To: c.String("to"),
		AcceptLostSettings: c.Bool("accept-lost-settings"),
		Watch:              c.Duration("watch"), Healthy: c.String("healthy"), AcceptUnhealthy: c.Bool("accept-unhealthy"),
	}
	var err error
	q.Repository, q.KeyFile, q.PassphraseFile, err = a.wholePaths()
	return q, err
}

// wholePaths gives those of the repository and of what opens it: a later run may go on elsewhere.
func (a *app) wholePaths() (repository, keyFile, passphraseFile string, err error) {
	files, err := a.secretFiles()
	if err != nil {
		return "", "", "", err
	}
	root, err := a.repositoryPlace()
	if err != nil {
		return "", "", "", err
	}
	whole := func(path string) string {
		if path != "" && err == nil {
			path, err = filepath.Abs(path)
		}
		return path
	}
	return root.Full(), whole(files.Key), whole(files.Passphrase), err
}

// upgradeCapturing prepares the capture of the old version.
func (a *app) upgradeCapturing(c *cli.Context, target *containers.Container) (*capturing, error) {
	s := &capturing{app: a, acceptEmpty: c.Bool("accept-empty")}
	s.options.Host, s.options.Version = hostName(), c.String("version")
	s.options.Labels = make(map[string]string)
	s.options.Note = "before the upgrade to " + c.String("to")
	choice := containers.Choice{Stays: true, Exclude: c.StringSlice("exclude-mount")}
	if err := s.describe(target); err != nil {
		return nil, err
	}
	if err := s.mount([]*containers.Container{target}, choice, sources.Reading{}); err != nil {
		return nil, err
	}
	for _, from := range s.sources {
		if from.Kind == sources.Copy && !c.Bool("accept-copying") {
			return nil, fmt.Errorf("%s of container %s can't be reached on this machine: going back would copy over what is there, and files that a new version adds would stay. --accept-copying upgrades it all the same, --exclude-mount leaves it out",
				screen.Line(from.MountPath), screen.Line(target.Name))
		}
	}
	if !c.Bool("accept-shared") {
		// Going back would exchange the volumes under it.
		err := checkBeside(c.Context, target.Engine, target.Mounts, target.ID)
		if _, ok := errors.AsType[*besideError](err); ok {
			return nil, fmt.Errorf("%w. --accept-shared upgrades all the same", err)
		}
		if err != nil {
			return nil, err
		}
	}
	if !c.Bool("accept-dependents") {
		if err := checkDependents(c.Context, target.Engine, target.Container); err != nil {
			return nil, err
		}
	}
	return s, a.checkApart(s.sources)
}

// undoUpgrade goes back from a container, or, where notFound says that none has the name any more, by what is known of an
// upgrade of it.
func (a *app) undoUpgrade(c *cli.Context, target *containers.Container, notFound error) error {
	u := a.upgrader(a.reopened(true))
	done, err := a.madeBefore(c, u, target)
	switch {
	case errors.Is(err, upgrade.ErrNoUpgrade) && notFound != nil:
		return notFound
	case errors.Is(err, upgrade.ErrNoUpgrade):
		return missing(err)
	case err != nil:
		return err
	}
	e, made := a.engine(a.engineProgram(c)), &engine.Container{ID: done.New, Name: done.Container}
	if notFound == nil {
		e, made = target.Engine, target.Container
		if !c.Bool("accept-dependents") {
			if err := checkDependents(c.Context, e, made); err != nil {
				return err
			}
		}
	} else {
		a.Warn("container %s is gone: nothing of it is left to be set aside.", screen.Printable(made.Name))
	}
	watchAsked(c, done)
	plan := done.UndoPlan(e.Name(), made.Name, time.Now())
	return a.undoing(c, done, plan, func(data upgrade.Data) (*upgrade.Outcome, error) {
		return u.Undo(c.Context, e, made, done, data)
	})
}

// madeBefore finds the upgrade to go back from.
func (a *app) madeBefore(c *cli.Context, u *upgrade.Upgrader, target *containers.Container) (*upgrade.Record, error) {
	if target == nil {
		return u.MadeNamed(a.engine(a.engineProgram(c)), c.String("container"))
	}
	return u.Made(target.Container)
}

// watchAsked has an undo watch as the command line says.
func watchAsked(c *cli.Context, done *upgrade.Record) {
	if c.IsSet("watch") {
		done.Watch = c.Duration("watch")
	}
	if c.IsSet("healthy") {
		done.Healthy = c.String("healthy")
	}
}

// realPlace gives where a text leads that names a place; a wrong address as it is.
func (a *app) realPlace(named string) string {
	place, err := where.Parse(named, a.getenv)
	if err != nil {
		return named
	}
	return place.Real()
}

// undoing opens the repository of the upgrade for an undo. What the environment and the configuration say is about today's.
func (a *app) undoing(c *cli.Context, done *upgrade.Record, plan []upgrade.Planned, undo func(upgrade.Data) (*upgrade.Outcome, error)) error {
	if asked := a.shared.repository; asked != "" && a.realPlace(asked) != a.realPlace(done.Repository) {
		return usagef("upgrade: --repository %s is another than %s, which has the capture that the upgrade of %s made: what to go back to is there alone. Leave --repository out; if the repository moved, a link in its old place does",
			screen.Line(where.Full(asked, a.getenv)), screen.Line(done.Repository), screen.Line(done.Container))
	}
	data, err := a.reopen(c.Context, done, true)
	if err != nil {
		return err
	}
	defer data.Close()
	if c.Bool("dry-run") {
		if err := data.checkReadable(c.Context, done); err != nil {
			return fmt.Errorf("the data of capture %s can't be put back: %w", done.Capture, err)
		}
		return a.printPlan(plan)
	}
	return a.reportUpgrade(undo(data))
}
