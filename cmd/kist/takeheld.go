package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
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
	if err := s.lookBefore(ctx, r, stop); err != nil {
		return err
	}
	var draft *store.Draft
	begun, places := time.Now(), s.places()
	if len(stop) > 0 || s.still.Before != "" {
		var err error
		draft, err = s.draft(ctx, s.where(r))
		if s.madeRoom(ctx, err) {
			draft, err = s.draft(ctx, s.where(r))
		}
		if s.isFull(err, r) {
			draft, err = s.draft(ctx, r)
		}
		if err != nil {
			return s.withRoom(err)
		}
	}
	var made *captured
	began := time.Now()
	s.still.Folders = s.folders()
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
			made, err = s.takeStill(ctx, s.where(r), draft, len(stop) > 0, began)
			if len(stop) == 0 && s.still.Before == "" && s.readsAgain() && s.madeRoom(ctx, err) {
				made, err = s.takeStill(ctx, s.where(r), nil, false, began)
			}
			if s.isFull(err, r) { // the draft is in the spool
				made, err = s.takeStill(ctx, r, nil, len(stop) > 0, began)
			}
			return err
		})
	})
	if s.made = made != nil; !s.made {
		return s.withRoom(err)
	}
	// What was held still goes on by now: from here on the repository may take its time.
	err = errors.Join(err, s.disturbed, s.deliver(ctx, r, made))
	made.took = time.Since(begun)
	err = errors.Join(s.report(made), err)
	if ctx.Err() != nil {
		s.app.Say("Interrupted when all was done: capture %s is complete.", made.ID)
	}
	return err
}

// lookBefore finds the capture that this one is to be compared with, and refuses what most likely is not as it should be, while nothing
// is held still yet. Where nothing will be, capturing does so, for fewer requests of an object store.
func (s *capturing) lookBefore(ctx context.Context, r *repository, stop []stopped.Target) error {
	if s.spool == nil && len(stop) == 0 && s.still.Before == "" {
		s.options.CheckBefore = func(before *store.Capture) error {
			s.before = before
			return s.checkFolders()
		}
		return nil
	}
	if err := s.findBefore(ctx, cmp.Or(r, s.where(r))); err != nil {
		return err
	}
	if err := s.checkRoom(ctx, r); err != nil || s.still.Before != "" {
		return err
	}
	return s.checkFolders()
}

// takeStill captures what changed since the draft, and what did not from there; where containers are stopped, they
// are since began.
func (s *capturing) takeStill(ctx context.Context, into *repository, draft *store.Draft, stopped bool, began time.Time) (*captured, error) {
	s.options.After = draft
	s.reading = func(done bool) {
		if stopped {
			s.options.Labels[containers.LabelStopped] = strconv.FormatFloat(time.Since(began).Seconds(), 'f', 1, 64)
		}
		if !done || s.stands == nil {
			return
		}
		// An interrupt since then changes nothing of what was read.
		if s.disturbed = s.stands(context.WithoutCancel(ctx)); s.disturbed != nil {
			s.options.Labels[containers.LabelLive] = "may have run meanwhile"
		}
	}
	made, err := s.take(ctx, into, "capturing")
	if made != nil {
		made.drafted = draft != nil
	}
	return made, err
}

// askVersion runs the command that prints the version.
func (s *capturing) askVersion(ctx context.Context) (err error) {
	if s.versionFrom != "" {
		s.options.Version, err = programs.Line{Text: s.versionFrom, Shown: engine.MaskLine(s.versionFrom), Said: s.app.Err}.FirstLine(ctx)
		if err != nil {
			err = fmt.Errorf("--version-from: %w. Nothing was stopped, and nothing is captured", err)
		}
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
	o, end := s.input("first reading")
	defer end()
	o.Volumes = slices.DeleteFunc(o.Volumes, func(v store.VolumeInput) bool { return v.Folder == nil })
	if len(o.Volumes) == 0 {
		return nil, nil
	}
	return r.Draft(ctx, o)
}
