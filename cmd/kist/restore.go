package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/store"
)

func (a *app) restoreCommand() *cli.Command {
	return &cli.Command{
		Name:      "restore",
		Usage:     "bring a capture back, as a folder or as a tar stream",
		ArgsUsage: "CAPTURE",
		Flags: []cli.Flag{
			&cli.StringFlag{Name: "into", Usage: "write the files into `DIR`, a new or empty folder"},
			&cli.StringFlag{Name: "tar", Usage: "write the stream to `FILE`, or - for standard output"},
			&cli.BoolFlag{Name: "overwrite", Usage: "let --tar replace a file"},
			&cli.StringFlag{Name: "volume", Usage: "only the volume `NAME`"},
			&cli.StringSliceFlag{Name: "only", Usage: "only members that fit `PATTERN`; may be given several times"},
			&cli.BoolFlag{Name: "devices", Usage: "with --into: make devices too"},
		},
		Description: `
Nothing appears in its place before it is complete, verified and flushed: a folder
is built beside DIR and renamed, a file beside FILE. If DIR cannot be renamed,
since it is a mount point, it is filled in place. Of a capture with several volumes
each gets a folder of its name in DIR.

` + patternHelp + `

Example:
  kist restore seedbank@latest --into /srv/seedbank.new
  kist restore 20260314t0203z-k7f3 --tar - | tar -t
  kist restore latest --into /tmp/look --only certificates`,
		Action: a.restore,
	}
}

// restoring is one restore.
type restoring struct {
	app     *app
	r       *repository
	wanted  *patterns
	only    bool
	devices bool
}

func (a *app) restore(c *cli.Context) error {
	wanted, err := restoreUsage(c)
	if err != nil {
		return err
	}
	tarFile, into := c.String("tar"), c.String("into")
	if tarFile == "-" && isTerminal(a.stdout.w) {
		return usagef("--tar - would write to the terminal: redirect it, or name a file")
	}
	if err := checkTarget(tarFile, into, c.Bool("overwrite")); err != nil {
		return err
	}
	r, err := a.open(c.Context)
	if err != nil {
		return err
	}
	defer r.Close()
	capture, err := a.find(c.Context, r, c.Args().First())
	if err != nil {
		return err
	}
	s := &restoring{app: a, r: r, wanted: wanted, only: c.IsSet("only"), devices: c.Bool("devices")}
	if into != "" {
		return s.intoFolder(c.Context, capture, c.String("volume"), into)
	}
	v, err := capture.Volume(c.String("volume"))
	if errors.Is(err, store.ErrAmbiguous) {
		return fmt.Errorf("%w with --volume", err)
	}
	if err != nil {
		return err
	}
	if tarFile == "-" {
		return s.stream(c.Context, []*store.Volume{v}, v, a.stdout)
	}
	return s.intoFile(c.Context, v, tarFile, c.Bool("overwrite"))
}

func restoreUsage(c *cli.Context) (*patterns, error) {
	if err := wantArgs(c, 1, 1); err != nil {
		return nil, err
	}
	tarFile, into := c.String("tar"), c.String("into")
	switch {
	case (tarFile == "") == (into == ""):
		return nil, usagef("restore: give either --into DIR or --tar FILE")
	case into != "" && c.Bool("overwrite"):
		return nil, usagef("restore: --overwrite goes with --tar; --into never replaces anything")
	case tarFile != "" && c.Bool("devices"):
		return nil, usagef("restore: --devices goes with --into")
	}
	return newPatterns(c.StringSlice("only"))
}

// checkTarget refuses a target that is taken, before anything is read.
func checkTarget(tarFile, into string, overwrite bool) error {
	switch {
	case into != "":
		return checkFolder(into)
	case tarFile == "-":
		return nil
	case !overwrite:
		return mustBeFree(tarFile)
	}
	info, err := os.Lstat(tarFile)
	if err == nil && !info.Mode().IsRegular() {
		return fmt.Errorf("%s is no regular file: it is not replaced", tarFile)
	}
	return nil
}

// stream writes one volume's stream, or some of its members, to w. Patterns
// must have fitted something among all the volumes.
func (s *restoring) stream(ctx context.Context, all []*store.Volume, v *store.Volume, w io.Writer) error {
	if err := s.checkPatterns(ctx, all); err != nil {
		return err
	}
	return s.write(ctx, v, w)
}

func (s *restoring) write(ctx context.Context, v *store.Volume, w io.Writer) error {
	progress, end := s.app.progress("restoring")
	defer end()
	o := store.RestoreOptions{Progress: progress}
	if !s.only {
		return s.r.Restore(ctx, v, w, o)
	}
	_, err := s.r.RestoreMembers(ctx, v, s.wanted.match, w, o)
	return err
}

// checkPatterns sees that every pattern fits a member, before anything is
// written.
func (s *restoring) checkPatterns(ctx context.Context, volumes []*store.Volume) error {
	if !s.only {
		return nil
	}
	for _, v := range volumes {
		for m, err := range s.r.Members(ctx, v) {
			if err != nil {
				return err
			}
			s.wanted.note(m.Path)
		}
	}
	return s.wanted.unused()
}

// intoFile writes the stream beside the file, flushes it and renames it.
func (s *restoring) intoFile(ctx context.Context, v *store.Volume, path string, overwrite bool) (err error) {
	if err := s.checkPatterns(ctx, []*store.Volume{v}); err != nil {
		return err
	}
	part, err := os.OpenFile(partName(path), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	err = s.write(ctx, v, part)
	if err == nil {
		err = part.Sync()
	}
	err = errors.Join(err, part.Close())
	if err == nil {
		err = placeFile(part.Name(), path, overwrite)
	}
	if err != nil {
		os.Remove(part.Name())
		return err
	}
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	s.app.say("Restored %s: %s.", printable(filepath.Clean(path)), size(uint64(info.Size())))
	return nil
}
