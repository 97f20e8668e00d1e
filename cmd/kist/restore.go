package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/pattern"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

func (a *app) restoreCommand() *cli.Command {
	return &cli.Command{
		Name:      "restore",
		Usage:     "bring a capture back: as a folder, as a tar stream, into a container's volumes",
		ArgsUsage: "CAPTURE",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "into", Usage: "write the files into `DIR`"},
			&cli.StringFlag{Name: "tar", Usage: "write the stream to `FILE`, or - for standard output"},
			&cli.StringFlag{Name: "container", Usage: "write the files into the volumes of the container `NAME`"},
			&cli.StringFlag{Name: "volume", Usage: "only the volume `NAME`"},
			&cli.StringSliceFlag{Name: "only", Usage: "only members that fit `PATTERN`; may be given several times"},
			&cli.BoolFlag{Name: "dry-run", Usage: "with --into or --container: show file by file what would change, and change nothing"},
			&cli.BoolFlag{Name: "replace", Usage: "with --into: replace what DIR holds now; it is kept beside DIR"},
			&cli.BoolFlag{Name: "discard-previous", Usage: "remove what was replaced instead of keeping it"},
			&cli.BoolFlag{Name: "stop", Usage: "with --container: stop it for the exchange, and start it again"},
			&cli.BoolFlag{Name: "create", Usage: "with --container: make the container first, if it is missing, as the capture knows it"},
			&cli.BoolFlag{Name: "overwrite", Usage: "with --tar: replace FILE if it is there"},
			&cli.BoolFlag{Name: "accept-losses", Usage: "where captured data is damaged: put what is whole in the place of what is there; with --tar: write it"},
			&cli.BoolFlag{Name: "accept-other", Usage: "with --container: restore though the capture is of another service, by its name and image"},
			&cli.BoolFlag{Name: "accept-little-space", Usage: "begin though the file system seems to have too little room"},
			&cli.BoolFlag{Name: "devices", Usage: "with --into or --container: make devices too"},
			engineFlag(),
			limitRateFlag(),
		},
		Description: `
Nothing appears in its place before it is complete, verified and flushed: a folder
is built beside DIR and exchanged with it, a file beside FILE. What DIR held is
kept beside it under a dated name. If DIR is a mount point, all of that happens
inside it, entry by entry. With --only, in a DIR that holds something, each member
takes the place of its previous one, which is kept beside it under a dated name.
Of a capture with several volumes each gets a folder of its name in DIR.

With --container each volume goes to where it was mounted when it was captured.
All volumes are built first; the container is only down while they are exchanged
with what is there, which is kept. A volume that can't be reached on this machine
is copied in by the container engine, file by file over what is there. A container that
has neither the name nor the image of what was captured needs --accept-other. With --create a
container that is missing is made first, as it was captured, and not started.

Where captured data is damaged, or the capture was accepted unfinished, all members that
are whole come back, those that are not are listed, and the exit status is 3. What lives is
left alone then: what is whole comes beside it, as DIR.rescued-DATE. With --accept-losses
it takes the place all the same. --tar writes nothing then without --accept-losses.

` + patternHelp + `

Example:
  kist restore seedbank@latest --into /srv/seedbank.new
  kist restore seedbank@latest --into /srv/seedbank --replace --dry-run
  kist restore 20260314 --container seedbank --stop
  kist restore seedbank@latest --container seedbank --create
  kist restore 20260314t0203z-k7f3 --tar - | tar -t
  kist restore latest --into /tmp/look --only certificates`,
		Action: a.limiting(a.restore),
	}
}

// restoring is one restore.
type restoring struct {
	app     *app
	r       *repository
	wanted  *pattern.Set
	only    bool
	devices bool
	replace bool // what a folder holds
	discard bool // what is replaced
	dry     bool
	accept  bool // losses

	littleSpace bool
	program     string // of the container engine

	result   restored
	lost     int  // members, of what was asked for
	toStream bool // standard output is the stream
}

func (a *app) restore(c *cli.Context) error {
	wanted, err := restoreUsage(c)
	if err != nil {
		return err
	}
	if err := a.checkTarget(c); err != nil {
		return err
	}
	if into := c.String("into"); into != "" && !c.Bool("dry-run") {
		if err := a.checkNoUpgrade(nil, []string{into}); err != nil {
			return err
		}
	}
	target, err := a.restoreTarget(c)
	if err != nil {
		return err
	}
	r, capture, err := a.openOf(c.Context, c.Args().First())
	if err != nil {
		return err
	}
	defer r.Close()
	a.sayWhich(capture)
	if target != nil && !c.Bool("accept-other") {
		if err := checkSame(capture, target); err != nil {
			return err
		}
	}
	s := &restoring{
		app: a, r: r, wanted: wanted, only: c.IsSet("only"), devices: c.Bool("devices"),
		replace: c.Bool("replace"), discard: c.Bool("discard-previous"), dry: c.Bool("dry-run"), accept: c.Bool("accept-losses"), littleSpace: c.Bool("accept-little-space"),
		result: restored{Capture: capture.ID}, program: a.engineProgram(c),
	}
	if name := c.String("container"); name != "" && target == nil {
		if target, err = s.createTarget(c.Context, c, capture, name); err != nil || target == nil {
			return err
		}
	}
	switch {
	case target != nil:
		return s.report(s.intoContainer(c.Context, capture, c.String("volume"), target))
	case c.String("tar") == "-": // bytes may be out already
		return againByHand(s.intoTar(c.Context, capture, c.String("volume"), "-", false))
	}
	into := c.String("into")
	if into != "" {
		into = shownDir(into) // once: the current folder may be the one that is exchanged
	}
	find := func(id string) (*store.Capture, error) { return a.find(c.Context, r, id) }
	return s.report(a.twice(capture, find, func(capture *store.Capture) error {
		s.result = restored{Capture: capture.ID}
		if into != "" {
			return s.intoFolder(c.Context, capture, c.String("volume"), into)
		}
		return s.intoTar(c.Context, capture, c.String("volume"), c.String("tar"), c.Bool("overwrite"))
	}))
}

// restoreTarget finds the container that is to be restored into: nil for none, and for one that is to be made.
func (a *app) restoreTarget(c *cli.Context) (*containers.Container, error) {
	name := c.String("container")
	if name == "" {
		return nil, nil
	}
	target, err := a.findRestoreTarget(c, name)
	if errors.Is(err, engine.ErrNotFound) && c.Bool("create") {
		return nil, nil
	}
	if err != nil {
		return nil, explainNoContainer(err, c.Args().First())
	}
	return target, nil
}

// twice restores, and once more if a reclaim moved the capture meanwhile: nothing
// has come into its place then.
func (a *app) twice(capture *store.Capture, find func(id string) (*store.Capture, error), restore func(*store.Capture) error) error {
	err := restore(capture)
	if !errors.Is(err, store.ErrMoved) {
		return err
	}
	a.Say("Reclaiming moved or removed capture %s meanwhile: looking for it again.", capture.ID)
	if capture, err = find(capture.ID); err != nil {
		return err
	}
	return againByHand(restore(capture))
}

// againByHand says what to do about a capture that was moved.
func againByHand(err error) error {
	if errors.Is(err, store.ErrMoved) {
		return fmt.Errorf("%w. What came out is not whole: run it again", err)
	}
	return err
}

// restorePlaces are the flags of which one says where to.
var restorePlaces = []string{"into", "tar", "container"}

// restoreFlags says with which of them each flag goes.
var restoreFlags = []struct{ flag, places string }{
	{"overwrite", "tar"}, {"devices", "into container"}, {"dry-run", "into container"},
	{"replace", "into"}, {"discard-previous", "into container"}, {"stop", "container"}, {"create", "container"}, {"accept-other", "container"},
}

func restoreUsage(c *cli.Context) (*pattern.Set, error) {
	if err := cmdline.WantArgs(c, 1, 1); err != nil {
		return nil, err
	}
	var place []string
	for _, flag := range restorePlaces {
		if c.String(flag) != "" {
			place = append(place, flag)
		}
	}
	if len(place) != 1 {
		return nil, usagef("restore: give one of --into DIR, --tar FILE and --container NAME")
	}
	for _, f := range restoreFlags {
		if places := strings.Fields(f.places); c.IsSet(f.flag) && !slices.Contains(places, place[0]) {
			return nil, usagef("restore: --%s goes with --%s", f.flag, strings.Join(places, " or --"))
		}
	}
	if place[0] == "into" && c.Bool("discard-previous") && !c.Bool("replace") {
		return nil, usagef("restore: --discard-previous goes with --replace")
	}
	return pattern.New(c.StringSlice("only"))
}

// checkTarget refuses a target that is taken, before anything is read.
func (a *app) checkTarget(c *cli.Context) error {
	tarFile, into := c.String("tar"), c.String("into")
	if into != "" {
		if err := a.checkOutside(into, !c.IsSet("only")); err != nil {
			return err
		}
	}
	if tarFile != "" && tarFile != "-" {
		if err := a.checkWritten(c, tarFile); err != nil {
			return err
		}
	}
	switch {
	case into != "" && (c.Bool("replace") || c.Bool("dry-run")):
		_, err := holdsSomething(into)
		return err
	case into != "":
		return checkUnused(into)
	case tarFile == "-" && a.Out.IsTerminal():
		return usagef("--tar - would write to the terminal: redirect it, or name a file")
	case tarFile == "" || tarFile == "-":
		return nil
	}
	if above := filepath.Dir(tarFile); !files.IsFolder(above) {
		return missing(fmt.Errorf("%s can't be made: folder %s is not there", screen.Line(tarFile), screen.Line(above)))
	}
	if !c.Bool("overwrite") {
		return files.MustBeFree(tarFile)
	}
	info, err := os.Lstat(tarFile)
	if err == nil && !info.Mode().IsRegular() {
		return fmt.Errorf("%s is no regular file: it is not replaced", tarFile)
	}
	return nil
}
