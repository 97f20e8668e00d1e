package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/store"
)

func (a *app) captureCommand() *cli.Command {
	return &cli.Command{
		Name:      "capture",
		Usage:     "take volumes in, as one capture",
		ArgsUsage: "SOURCE… or --container NAME",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "`NAME` of the service; by default that of the first source, or of the container"},
			&cli.StringFlag{Name: "version", Usage: "`VERSION` of the service that the data belongs to; by default the tag of the container's image"},
			&cli.StringFlag{Name: "note", Usage: "`TEXT` for people, such as the launch command"},
			&cli.StringFlag{Name: "taken", Usage: "`TIME` when the data was as captured, as 2026-03-14, \"2026-03-14 02:03\" (local) or RFC 3339; by default now"},
			acceptFutureFlag(),
			&cli.StringFlag{Name: "host", Usage: "`NAME` of the machine that the data comes from; by default this one"},
			&cli.StringSliceFlag{Name: "label", Usage: "`KEY=VALUE` of your own; may be given several times"},
			&cli.BoolFlag{Name: "hold", Usage: "hold the capture from the start: it is never retired until kist release"},
			&cli.BoolFlag{Name: "accept-unfinished", Usage: "take in a tar stream that is cut short or damaged, as far as it goes"},
			&cli.BoolFlag{Name: "strict", Usage: "exit with 1 if a file changed while it was read; the capture is made all the same"},
			&cli.BoolFlag{Name: "reread", Usage: "of folders: read every file, also those that are as in the capture before"},
			&cli.StringSliceFlag{Name: "exclude", Usage: "of folders: leave out what fits `PATTERN`, a line as in .gitignore; may be given several times"},
			&cli.BoolFlag{Name: "skip-cache-folders", Usage: "of folders: leave out what is in folders tagged by CACHEDIR.TAG"},
			&cli.BoolFlag{Name: "cross-mounts", Usage: "of folders: take in what is mounted below them"},
			&cli.StringFlag{Name: "container", Usage: "capture the volumes of the container `NAME`"},
			&cli.BoolFlag{Name: "stop", Usage: "of a container: stop it while it is captured, and start it again"},
			&cli.BoolFlag{Name: "live", Usage: "of a container: capture it while it runs and writes"},
			&cli.BoolFlag{Name: "include-readonly", Usage: "of a container: also what it can't write"},
			&cli.StringSliceFlag{Name: "exclude-mount", Usage: "of a container: not what is mounted at `PATH`; may be given several times"},
			engineFlag(),
		},
		Description: `
SOURCE is a folder, a file, or - for standard input. A file or standard input is
a tar stream, plain or compressed by gzip, zstd or xz (it is unpacked), or
anything else, which is then kept as it is. Each source becomes one volume, named
by its base name without .tar, .tar.gz, .tgz, .tar.zst or .tar.xz; so is the
capture, by its first source. For standard input --name is needed.

A file of a folder that is as it was in the latest capture of the same name, host
and folder (size, times, inode, owner, mode) is not read again but taken over from
there, if this machine made that capture, as far as it remembers (KIST_STATE): the first
capture on a machine reads all. Stop the service first: files that change while they are read are reported.

With --container each volume and each bind mount that the container can write
becomes one volume. The image, its digest and the whole launch configuration are
recorded: kist show --launch prints the command line that makes it again. A
running container is refused without --stop or --live. With --stop the volumes
are read once while it still runs, so that only what changes after that is read
while it is down; then it is started again, whatever happens. If kist itself is
killed meanwhile, the next kist command starts it. With --reread everything is
read again while it is down.

The last line on standard output is the capture's id.

Example:
  kist capture --name seedbank --version 4.1.0 /srv/seedbank
  kist capture --exclude '*.tmp' --exclude /cache/ --skip-cache-folders /srv/seedbank
  kist capture --container seedbank --stop
  tar -C /srv -c seedbank | kist capture --name seedbank --version 4.1.0 -
  kist capture --taken "$(date -r old.tar.gz --iso-8601=seconds)" old.tar.gz`,
		Action: a.capture,
	}
}

// capturing is one capture.
type capturing struct {
	app     *app
	options store.CaptureOptions
	sources []*sources.Source
	strict  bool
	hold    bool
	reading func() // called on every progress, and when all has been read
}

func (a *app) capture(c *cli.Context) error {
	s, err := a.newCapturing(c)
	if err != nil {
		return err
	}
	if c.String("container") != "" {
		return s.captureContainer(c)
	}
	if err := refuseContainerFlags(c); err != nil {
		return err
	}
	if err := cmdline.WantArgs(c, 1, -1); err != nil {
		return err
	}
	s.sources, err = sources.Find(c.Args().Slice(), a.stdin, s.options.AcceptUnfinished, foldersAsked(c))
	if err != nil {
		return err
	}
	// All of the command line is checked before anybody is asked for a passphrase.
	if err := a.checkApart(s.sources); err != nil {
		return err
	}
	if s.options.Name == "" {
		if s.sources[0].Kind == sources.Stdin {
			return usagef("standard input has no name: give --name NAME")
		}
		s.options.Name = s.sources[0].Name
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	taken, err := s.take(c.Context, r, "capturing")
	if err != nil {
		return err
	}
	return s.report(taken)
}

// take makes the capture.
func (s *capturing) take(ctx context.Context, r *repository, what string) (*captured, error) {
	o, end := s.input(what)
	defer end()
	began := time.Now()
	c, err := r.Capture(ctx, o)
	if err != nil {
		return nil, explainUnfinished(err)
	}
	t := &captured{Capture: c, took: time.Since(began), renew: func() { s.app.renewSlot(ctx, r) }}
	if s.hold {
		t.hold = func() error { return r.Hold(ctx, []string{c.ID}, markOptions("")) }
	}
	return t, nil
}

// input is the capture as the store takes it. end takes the progress off the
// screen.
func (s *capturing) input(what string) (o store.CaptureOptions, end func()) {
	o = s.options
	for _, from := range s.sources {
		o.Volumes = append(o.Volumes, from.Input())
	}
	shown, end := s.app.progress(what)
	o.Progress = func(p store.Progress) {
		if s.reading != nil {
			s.reading()
		}
		if shown != nil {
			shown(p)
		}
	}
	return o, end
}

// explainUnfinished says what else can be done about a stream that is cut short.
func explainUnfinished(err error) error {
	if errors.Is(err, store.ErrUnfinished) || errors.Is(err, tarstream.ErrHeader) {
		return fmt.Errorf("%w\nNo capture was made. --accept-unfinished takes in what there is", err)
	}
	return err
}
