package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/dustin/go-humanize"
	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
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
	sources []*source
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
	s.sources, err = a.findSources(c.Args().Slice(), s.options.AcceptUnfinished, foldersAsked(c))
	if err != nil {
		return err
	}
	if err := a.checkApart(s.sources); err != nil {
		return err
	}
	if s.options.Name == "" {
		if s.sources[0].kind == sourceStdin {
			return usagef("standard input has no name: give --name NAME")
		}
		s.options.Name = s.sources[0].name
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

// refuseContainerFlags refuses flags that mean nothing for other sources.
func refuseContainerFlags(c *cli.Context) error {
	for _, flag := range []string{"stop", "live", "include-readonly", "exclude-mount"} {
		if c.IsSet(flag) {
			return usagef("%s: --%s goes with --container", c.Command.HelpName, flag)
		}
	}
	return nil
}

// take makes the capture.
func (s *capturing) take(ctx context.Context, r *repository, what string) (*taken, error) {
	o, end := s.input(what)
	defer end()
	began := time.Now()
	c, err := r.Capture(ctx, o)
	if err != nil {
		return nil, explainUnfinished(err)
	}
	t := &taken{Capture: c, took: time.Since(began), renew: func() { s.app.renewSlot(ctx, r) }}
	if s.hold {
		t.hold = func() error { return r.Hold(ctx, []string{c.ID}, markOptions("")) }
	}
	return t, nil
}

// input is the capture as the store takes it. end takes the progress off the
// screen.
func (s *capturing) input(what string) (o store.CaptureOptions, end func()) {
	o = s.options
	for _, source := range s.sources {
		o.Volumes = append(o.Volumes, source.input())
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

// report says what was captured. The capture is committed, whatever comes of it.
func (s *capturing) report(t *taken) error {
	held := t.held()
	s.app.summarize(t)
	if t.renew != nil {
		defer t.renew()
	}
	if s.app.shared.json {
		if err := s.app.PrintJSON(newCaptureJSON(t.Capture)); err != nil {
			return err
		}
	} else {
		s.app.Printf("%s\n", t.ID)
	}
	if n := t.changed(); s.strict && n > 0 {
		return errors.Join(held, fmt.Errorf("%s while being read: capture %s is committed, but may be of no single moment",
			screen.Count(n, "file changed", "files changed"), t.ID))
	}
	return held
}

// taken is a capture that was made, and how long it took.
type taken struct {
	*store.Capture
	took time.Duration
	hold func() error // if it is to be held

	renew func() // makes an old key slot anew
}

// held holds the capture, if it is to be.
func (t *taken) held() error {
	if t.hold == nil {
		return nil
	}
	if err := t.hold(); err != nil {
		// Not wrapped: an interrupt here leaves more than nothing.
		return fmt.Errorf("capture %s is made, but it is not held: %v (kist hold %s holds it)", t.ID, err, t.ID)
	}
	t.Held = true
	return nil
}

// changed gives how many files changed while they were read.
func (t *taken) changed() (n int) {
	for i := range t.Volumes {
		n += t.Volumes[i].Changed
	}
	return n
}

func (a *app) newCapturing(c *cli.Context) (*capturing, error) {
	o, err := captureOptions(c)
	if err != nil {
		return nil, err
	}
	return &capturing{app: a, options: *o, strict: c.Bool("strict"), hold: c.Bool("hold")}, nil
}

func foldersAsked(c *cli.Context) folderOptions {
	return folderOptions{reread: c.Bool("reread"), read: volume.ReadOptions{
		CrossMounts: c.Bool("cross-mounts"), Exclude: c.StringSlice("exclude"), SkipCacheFolders: c.Bool("skip-cache-folders"),
	}}
}

func captureOptions(c *cli.Context) (*store.CaptureOptions, error) {
	o := &store.CaptureOptions{
		Name: c.String("name"), Version: c.String("version"), Note: c.String("note"), Host: c.String("host"),
		AcceptUnfinished: c.Bool("accept-unfinished"),
	}
	var err error
	if s := c.String("taken"); s != "" {
		if o.Taken, err = cmdline.Time(s); err != nil {
			return nil, err
		}
	}
	if o.Host == "" {
		o.Host = hostName()
	}
	o.Labels, err = cmdline.Labels(c.StringSlice("label"))
	return o, err
}

// longRead is how long a capture may take before it is said why all was read.
const longRead = 10 * time.Second

// summarize says what was captured, and what is to be known of it.
func (a *app) summarize(t *taken) {
	for i := range t.Volumes {
		v := &t.Volumes[i]
		a.Say("Volume %s: %s, %s%s.", screen.Printable(v.Name), screen.Count(v.Members, "member", "members"), screen.Size(v.Bytes), volumeRemark(v))
		if v.FirstRead && t.took > longRead {
			a.Say("All of it was read, since this machine knows of no capture of it that it made itself. The next one reads what changed.")
		}
		if v.Unfinished != "" {
			a.Warn("volume %s is not complete: %s", screen.Printable(v.Name), screen.Text(v.Unfinished))
		}
		a.WarnAll(volumeWarnings(v))
	}
	for _, note := range t.Notes {
		a.Warn("%s", noteText(note))
	}
	a.Say("Captured %s%s in %.1f s; the repository grew by %s.", screen.Printable(t.Name), withVersion(t.Capture), t.took.Seconds(), screen.Size(t.Added))
}

func volumeWarnings(v *store.Volume) (texts []string) {
	for _, w := range v.Warnings {
		texts = append(texts, fmt.Sprintf("volume %s: %s", screen.Printable(v.Name), screen.Printable(w)))
	}
	if v.Changed > 0 {
		texts = append(texts, fmt.Sprintf("volume %s: %s while being read. Was the service stopped?",
			screen.Printable(v.Name), screen.Count(v.Changed, "file changed", "files changed")))
	}
	return texts
}

func withVersion(c *store.Capture) string {
	if c.Version == "" {
		return ""
	}
	return " " + screen.Printable(c.Version)
}

func volumeRemark(v *store.Volume) string {
	switch {
	case v.Reused > 0:
		return fmt.Sprintf(", %s of them as before and not read again", humanize.Comma(int64(v.Reused)))
	case v.Compression != "":
		return fmt.Sprintf(", unpacked from %s (what restores is the tar stream inside)", v.Compression)
	case !v.Tar:
		return ", no tar stream: kept as it is, as one member"
	}
	return ""
}

// explainUnfinished says what else can be done about a stream that is cut short.
func explainUnfinished(err error) error {
	if isUnfinished(err) {
		return fmt.Errorf("%w\nNo capture was made. --accept-unfinished takes in what there is", err)
	}
	return err
}
