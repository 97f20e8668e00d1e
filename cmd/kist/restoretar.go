package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/kistarchive/kist/cmd/kist/internal/files"
	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/pattern"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/store"
)

// intoTar restores one volume as a stream.
func (s *restoring) intoTar(ctx context.Context, capture *store.Capture, volumeName, path string, overwrite bool) error {
	v, err := capture.Volume(volumeName)
	if errors.Is(err, store.ErrAmbiguous) {
		return fmt.Errorf("%w with --volume", err)
	}
	if err != nil {
		return err
	}
	s.toStream = path == "-"
	return s.endDropped(s.volumeIntoTar(ctx, v, path, overwrite), capture, []*store.Volume{v})
}

func (s *restoring) volumeIntoTar(ctx context.Context, v *store.Volume, path string, overwrite bool) error {
	if s.accept && path == "-" { // once a part is out, there is no way back
		return s.streamWhole(ctx, v)
	}
	if path == "-" {
		return s.stream(ctx, []*store.Volume{v}, v, s.app.Out)
	}
	err := s.intoFile(ctx, v, path, overwrite, nil)
	if s.accept && isLossy(err) {
		return s.rescueTar(ctx, v, path, overwrite, err)
	}
	if errors.Is(err, store.ErrDamaged) {
		err = fmt.Errorf("%w. --accept-losses writes what is whole, and lists what is not", err)
	}
	return err
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
	return s.writeBut(ctx, v, nil, w)
}

// writeBut writes a volume's stream, without what is lost.
func (s *restoring) writeBut(ctx context.Context, v *store.Volume, losses []*store.Losses, w io.Writer) error {
	progress, end := s.app.progress("restoring")
	defer end()
	o := store.RestoreOptions{Progress: progress}
	if l := lossesOf(losses, v); l != nil && !l.None() {
		var match func(string) bool
		if s.only {
			match = s.wanted.Match
		}
		_, err := s.r.RestoreWhole(ctx, l, match, w, o)
		return err
	}
	if !s.only {
		return s.r.Restore(ctx, v, w, o)
	}
	_, err := s.r.RestoreMembers(ctx, v, s.wanted.Match, w, o)
	return err
}

// checkPatterns sees that every pattern fits a member, before anything is
// written.
func (s *restoring) checkPatterns(ctx context.Context, volumes []*store.Volume) error {
	if !s.only {
		return nil
	}
	return checkPatterns(ctx, s.r, s.wanted, volumes)
}

// checkPatterns sees that every pattern fits a member of some volumes, and asks what was meant by one that does not.
func checkPatterns(ctx context.Context, r *repository, wanted *pattern.Set, volumes []*store.Volume) error {
	for _, v := range volumes {
		for m, err := range r.Members(ctx, v) {
			if err != nil {
				return err
			}
			wanted.Note(m.Path)
		}
	}
	return considered(ctx, r, wanted, volumes)
}

// considered is wanted.Unused, which asks whether a member of some volumes was meant.
func considered(ctx context.Context, r *repository, wanted *pattern.Set, volumes []*store.Volume) error {
	if wanted.Unused() == nil {
		return nil
	}
	for _, v := range volumes {
		for m, err := range r.Members(ctx, v) {
			if err != nil {
				break // it is a question only
			}
			wanted.Consider(m.Path)
		}
	}
	return wanted.Unused()
}

// allVolumes gives those of some captures.
func allVolumes(captures ...*store.Capture) (all []*store.Volume) {
	for _, c := range captures {
		for i := range c.Volumes {
			all = append(all, &c.Volumes[i])
		}
	}
	return all
}

// intoFile writes the stream beside the file, flushes it and renames it.
func (s *restoring) intoFile(ctx context.Context, v *store.Volume, path string, overwrite bool, losses []*store.Losses) (err error) {
	if err := s.checkPatterns(ctx, []*store.Volume{v}); err != nil {
		return err
	}
	if err := s.checkSpace(ctx, []destination{{[]*store.Volume{v}, path, false}}); err != nil {
		return err
	}
	part, err := os.OpenFile(files.PartName(path), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	err = s.writeBut(ctx, v, losses, part)
	if err == nil {
		err = part.Sync()
	}
	err = errors.Join(err, part.Close())
	if err == nil {
		err = files.Place(part.Name(), path, overwrite)
	}
	if err != nil {
		os.Remove(part.Name())
		return err
	}
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	s.result.Places = append(s.result.Places, place{Volumes: []string{v.Name}, Path: paths.Absolute(path), Bytes: info.Size()})
	s.app.Say("Restored %s: %s.", screen.Printable(filepath.Clean(path)), screen.Size(uint64(info.Size())))
	return nil
}
