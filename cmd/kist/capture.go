package main

import (
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store"
)

func (a *app) captureCommand() *cli.Command {
	return &cli.Command{
		Name:      "capture",
		Usage:     "take volumes in, as one capture",
		ArgsUsage: "SOURCE…",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "name", Usage: "`NAME` of the service; by default that of the first source (see below)"},
			&cli.StringFlag{Name: "version", Usage: "`VERSION` of the service that the data belongs to"},
			&cli.StringFlag{Name: "note", Usage: "`TEXT` for people, such as the launch command"},
			&cli.StringFlag{Name: "taken", Usage: "`TIME` when the data was as captured, as 2026-03-14, \"2026-03-14 02:03\" (local) or RFC 3339; by default now"},
			&cli.StringFlag{Name: "host", Usage: "`NAME` of the machine that the data comes from; by default this one"},
			&cli.StringSliceFlag{Name: "label", Usage: "`KEY=VALUE` of your own; may be given several times"},
			&cli.BoolFlag{Name: "accept-unfinished", Usage: "take in a tar stream that is cut short or damaged, as far as it goes"},
		},
		Description: `
SOURCE is a folder, a file, or - for standard input. A file or standard input is
a tar stream, plain or compressed by gzip, zstd or xz (it is unpacked), or
anything else, which is then kept as it is. Each source becomes one volume, named
by its base name without .tar, .tar.gz, .tgz, .tar.zst or .tar.xz; so is the
capture, by its first source. For standard input --name is needed.

Stop the service first: files that change while they are read are reported.
The last line on standard output is the capture's id.

Example:
  kist capture --name seedbank --version 4.1.0 /srv/seedbank
  tar -C /srv -c seedbank | kist capture --name seedbank --version 4.1.0 -
  kist capture --taken "$(date -r old.tar.gz --iso-8601=seconds)" old.tar.gz`,
		Action: a.capture,
	}
}

func (a *app) capture(c *cli.Context) error {
	o, err := captureOptions(c)
	if err != nil {
		return err
	}
	sources, err := a.findSources(c.Args().Slice(), o.AcceptUnfinished)
	if err != nil {
		return err
	}
	if err := a.checkApart(sources); err != nil {
		return err
	}
	if o.Name == "" {
		if sources[0].kind == sourceStdin {
			return usagef("standard input has no name: give --name NAME")
		}
		o.Name = sources[0].name
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	for _, s := range sources {
		o.Volumes = append(o.Volumes, s.input())
	}
	progress, end := a.progress("capturing")
	o.Progress = progress
	began := time.Now()
	taken, err := r.Capture(c.Context, *o)
	end()
	if err != nil {
		return explainUnfinished(err)
	}
	a.summarize(taken, time.Since(began), sources)
	if a.shared.json {
		return a.printJSON(taken)
	}
	a.printf("%s\n", taken.ID)
	return nil
}

func captureOptions(c *cli.Context) (*store.CaptureOptions, error) {
	if err := wantArgs(c, 1, -1); err != nil {
		return nil, err
	}
	o := &store.CaptureOptions{
		Name: c.String("name"), Version: c.String("version"), Note: c.String("note"), Host: c.String("host"),
		AcceptUnfinished: c.Bool("accept-unfinished"),
	}
	var err error
	if s := c.String("taken"); s != "" {
		if o.Taken, err = parseTime(s); err != nil {
			return nil, err
		}
	}
	if o.Host == "" {
		o.Host, _ = os.Hostname() // a label that may be missing
	}
	o.Labels, err = parseLabels(c.StringSlice("label"))
	return o, err
}

func parseLabels(pairs []string) (map[string]string, error) {
	labels := make(map[string]string)
	for _, pair := range pairs {
		key, value, ok := strings.Cut(pair, "=")
		if _, twice := labels[key]; !ok || key == "" || twice {
			return nil, usagef("--label %q: it must be KEY=VALUE, each key once", pair)
		}
		labels[key] = value
	}
	return labels, nil
}

// timeLayouts are what --taken may look like, besides RFC 3339.
var timeLayouts = []string{time.DateOnly, "2006-01-02 15:04", time.DateTime, "2006-01-02T15:04", "2006-01-02T15:04:05"}

func parseTime(s string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t, nil
	}
	for _, layout := range timeLayouts {
		if t, err := time.ParseInLocation(layout, s, time.Local); err == nil {
			return t, nil
		}
	}
	return time.Time{}, usagef("time %q: write it as 2026-03-14, \"2026-03-14 02:03\" or 2026-03-14T02:03:00Z", s)
}

// summarize says what was captured, and what is to be known of it.
func (a *app) summarize(c *store.Capture, took time.Duration, sources []*source) {
	for i, v := range c.Volumes {
		a.say("Volume %s: %s, %s%s.", printable(v.Name), count(v.Members, "member", "members"), size(v.Bytes), volumeRemark(&c.Volumes[i]))
		if v.Unfinished != "" {
			a.warn("volume %s is not complete: %s", printable(v.Name), screenText(v.Unfinished))
		}
		a.warnAll(sources[i].warnings())
	}
	a.say("Captured %s%s in %.1f s; the repository grew by %s.", printable(c.Name), withVersion(c), took.Seconds(), size(c.Added))
}

func withVersion(c *store.Capture) string {
	if c.Version == "" {
		return ""
	}
	return " " + printable(c.Version)
}

func volumeRemark(v *store.Volume) string {
	switch {
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
