package main

import (
	"context"
	"errors"
	"os"
	"slices"
	"strconv"
	"time"

	"github.com/kistarchive/kist/cmd/kist/engine"
	"github.com/kistarchive/kist/cmd/kist/internal/containers"
	"github.com/kistarchive/kist/cmd/kist/internal/programs"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/store"
)

// takeHeld captures while all that was asked for is held still: by --before, and then
// containers. What was read before, while the service ran, is read again only as far as it
// changed since. find, if there is one, looks for the sources once more then.
func (s *capturing) takeHeld(ctx context.Context, r *repository, stop []stopped.Target, find func() ([]*sources.Source, error)) error {
	if err := s.askVersion(ctx); err != nil {
		return err
	}
	if err := s.findBefore(ctx, r); err != nil {
		return err
	}
	if s.still.Before == "" { // while nothing is held still yet
		if err := s.checkFolders(); err != nil {
			return err
		}
	}
	var draft *store.Draft
	places := s.places()
	if len(stop) > 0 || s.still.Before != "" {
		var err error
		if draft, err = s.draft(ctx, r); err != nil {
			return err
		}
	}
	var made *captured
	began := time.Now()
	err := s.app.keeper().WhileStill(ctx, s.still, func(ctx context.Context) error {
		if s.still.Before != "" {
			if err := s.lookAgain(find); err != nil {
				return err
			}
		}
		if !slices.EqualFunc(places, s.places(), os.SameFile) { // --before put others into their places
			draft = nil
		}
		return s.app.keeper().WhileAll(ctx, stop, func(ctx context.Context) (err error) {
			if len(stop) > 0 {
				made, err = s.takeAfter(ctx, r, draft, began)
				return err
			}
			s.options.After = draft
			made, err = s.take(ctx, r, "capturing")
			return err
		})
	})
	if s.made = made != nil; !s.made {
		return err
	}
	err = errors.Join(s.report(made), err)
	if ctx.Err() != nil {
		s.app.Say("Interrupted when all was done: capture %s is complete.", made.ID)
	}
	return err
}

// takeAfter captures what changed since the draft, and what did not from there; containers
// are stopped since began.
func (s *capturing) takeAfter(ctx context.Context, r *repository, draft *store.Draft, began time.Time) (*captured, error) {
	s.options.After = draft
	s.reading = func() {
		s.options.Labels[containers.LabelStopped] = strconv.FormatFloat(time.Since(began).Seconds(), 'f', 1, 64)
	}
	return s.take(ctx, r, "capturing")
}

// askVersion runs the command that prints the version.
func (s *capturing) askVersion(ctx context.Context) (err error) {
	if s.versionFrom != "" {
		s.options.Version, err = programs.Line{Text: s.versionFrom, Shown: engine.MaskLine(s.versionFrom), Said: s.app.Err}.FirstLine(ctx)
	}
	return err
}

// lookAgain looks at the sources as --before left them.
func (s *capturing) lookAgain(find func() ([]*sources.Source, error)) (err error) {
	if find != nil {
		if s.sources, err = find(); err == nil {
			err = s.app.checkApart(s.sources)
		}
	}
	if err == nil {
		err = s.checkFolders()
	}
	return err
}

// places gives what stands where folders are read.
func (s *capturing) places() (places []os.FileInfo) {
	for _, from := range s.sources {
		if from.Kind != sources.Folder {
			continue
		}
		if info, err := os.Stat(from.Path); err == nil {
			places = append(places, info)
		}
	}
	return places
}

// draft stores what there is in folders while the service runs. An engine's
// copy of files that change may fail, and so is left to when they don't.
func (s *capturing) draft(ctx context.Context, r *repository) (*store.Draft, error) {
	o, end := s.input("reading while it runs")
	defer end()
	o.Volumes = slices.DeleteFunc(o.Volumes, func(v store.VolumeInput) bool { return v.Folder == nil })
	if len(o.Volumes) == 0 {
		return nil, nil
	}
	return r.Draft(ctx, o)
}
