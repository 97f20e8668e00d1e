package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"time"

	"github.com/urfave/cli/v2"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/cmd/kist/internal/cmdline"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/programs"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/volume"
)

// capturing is one capture.
type capturing struct {
	app         *app
	options     store.CaptureOptions
	sources     []*sources.Source
	still       stopped.Commands
	versionFrom string // a command
	acceptEmpty bool
	strict      bool
	hold        bool
	reading     func(done bool)             // called on every progress, and when all has been read
	stands      func(context.Context) error // fails where what should stand still does not; nil: nobody knows
	disturbed   error                       // what stands gave when all had been read
	made        bool
	before      *store.Capture // of the same name and host; nil: there is none

	through spooling
	spool   *spooled // what is captured into; nil: the repository
	away    error    // why there is no repository
	full    bool     // there was no room in the spool
	left    *spooled // that was left for that
}

func (a *app) capture(c *cli.Context) error {
	s, err := a.newCapturing(c)
	if err != nil {
		return err
	}
	if err := eachUsage(c); err != nil {
		return err
	}
	if c.Bool("each") {
		return s.captureEach(c)
	}
	if len(c.StringSlice("container")) > 0 {
		return s.captureContainers(c)
	}
	if err := cmp.Or(refuseContainerFlags(c), cmdline.WantArgs(c, 1, -1)); err != nil {
		return err
	}
	a.metrics.About(s.options.Name, s.options.Host)
	find := func() ([]*sources.Source, error) {
		return sources.Find(c.Args().Slice(), a.stdin, s.options.AcceptUnfinished || s.acceptEmpty, foldersAsked(c))
	}
	if c.Bool("from") {
		find = func() ([]*sources.Source, error) { return s.program(c.Args().Slice()) }
	}
	find = s.samePipes(find)
	// All of the command line is checked before anybody is asked for a passphrase.
	if err := s.look(find, c.Args().First()); err != nil {
		return err
	}
	if err := a.checkNoUpgrade(nil, s.folders()); err != nil {
		return err
	}
	r, err := s.open(c.Context, s.still.Before != "")
	if err != nil {
		return err
	}
	defer s.close(c.Context, r)
	return s.takeHeld(c.Context, r, nil, find)
}

// samePipes refuses a named pipe that was none when find looked first, as one that --before put there: to open it might
// wait for ever, with the service held still.
func (s *capturing) samePipes(find func() ([]*sources.Source, error)) func() ([]*sources.Source, error) {
	var first map[string]bool
	return func() ([]*sources.Source, error) {
		found, err := find()
		pipes := make(map[string]bool)
		for _, from := range found {
			if from.Pipe {
				pipes[from.Path] = true
			}
			if from.Pipe && first != nil && !first[from.Path] {
				return nil, fmt.Errorf("source %s is a named pipe since --before: to read it might wait for ever. Nothing was captured; --from captures what a command prints", screen.Line(from.Path))
			}
		}
		if first == nil {
			first = pipes
		}
		return found, err
	}
}

// mayNotRead says what to do about data that this user may not read.
func mayNotRead(err error) error {
	if !errors.Is(err, fs.ErrPermission) || errors.As(err, new(*storage.Error)) {
		return err
	}
	return &advised{err, "Nothing was captured. Run it as a user who may read all of the data, or leave that out (--exclude)."}
}

// folders gives the paths of those among the sources.
func (s *capturing) folders() (all []string) {
	for _, from := range s.sources {
		if from.Kind == sources.Folder {
			all = append(all, paths.Absolute(from.Path))
		}
	}
	return all
}

// look finds the sources, and a name for the capture. What is not there yet may be made by
// --before.
func (s *capturing) look(find func() ([]*sources.Source, error), first string) (err error) {
	absent := (*cmdline.MissingError)(nil)
	s.sources, err = find()
	if errors.As(err, &absent) && s.still.Before != "" {
		err = nil
	}
	if err == nil {
		err = s.app.checkApart(s.sources)
	}
	if absent != nil && err != nil {
		err = s.app.withServices(err, absent.Path)
	}
	switch {
	case err != nil || s.options.Name != "":
	case len(s.sources) > 0 && s.sources[0].Kind == sources.Stdin:
		err = usagef("standard input has no name: give --name NAME")
	default:
		s.options.Name, err = sources.NameOf(first)
	}
	s.warnOfZips()
	s.app.metrics.About(s.options.Name, s.options.Host)
	return err
}

// warnOfZips names sources that are kept as they are though they are archives.
func (s *capturing) warnOfZips() {
	for _, from := range s.sources {
		if from.Kind != sources.File {
			continue
		}
		if zip, err := sources.IsZip(from.Path); err == nil && zip {
			s.app.Warn("source %s is a zip archive: it is kept as it is, as one member, and little of it is shared with others. Unpack it into a folder and capture that, for its files.", screen.Line(from.Path))
		}
	}
}

// program is the source that a command prints.
func (s *capturing) program(words []string) ([]*sources.Source, error) {
	if s.options.Name == "" {
		return nil, usagef("what a command prints has no name: give --name NAME")
	}
	if words[0] == "" {
		return nil, usagef("a command without a name: an argument is empty")
	}
	return []*sources.Source{{
		Kind: sources.Program, Path: words[0], Name: s.options.Name, Empty: s.acceptEmpty,
		Copy: func(ctx context.Context) io.ReadCloser { return programs.Output(ctx, words, s.app.Err) },
	}}, nil
}

// take makes the capture.
func (s *capturing) take(ctx context.Context, r *repository, what string) (*captured, error) {
	o, end := s.input(what)
	defer end()
	began := time.Now()
	c, err := r.Capture(ctx, o)
	if err != nil {
		return nil, mayNotRead(explainUnfinished(err))
	}
	s.app.warnLostSettings(ctx, r)
	t := &captured{Capture: c, took: time.Since(began)}
	if s.spool == nil {
		t.renew = func() { s.app.renewSlot(ctx, r) }
	}
	if s.hold {
		// The capture is made: an interrupt since then is no reason to leave it without.
		t.hold = func() error { return r.Hold(context.WithoutCancel(ctx), []string{c.ID}, markOptions("")) }
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
			s.reading(p.Done)
		}
		if shown != nil {
			shown(p)
		}
	}
	return o, end
}

// explainUnfinished says what can be done about a stream that is cut short, or a folder that a restore left torn.
func explainUnfinished(err error) error {
	if errors.Is(err, volume.ErrTorn) {
		return fmt.Errorf("%w\nNo capture was made. Where no restore is at work: kist kept --recover DIR puts that in order, or restore again", err)
	}
	if errors.Is(err, store.ErrUnfinished) || errors.Is(err, tarstream.ErrHeader) {
		return fmt.Errorf("%w\nNo capture was made. --accept-unfinished takes in what there is", err)
	}
	return err
}
