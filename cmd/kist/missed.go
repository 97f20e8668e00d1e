package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/kistarchive/kist/cmd/kist/internal/paths"
	"github.com/kistarchive/kist/cmd/kist/internal/screen"
	"github.com/kistarchive/kist/cmd/kist/internal/sources"
	"github.com/kistarchive/kist/cmd/kist/internal/stopped"
	"github.com/kistarchive/kist/store"
)

// labelMounted names the volumes whose folders were mount points.
const labelMounted = "mount-points"

// findBefore finds the capture that this one is to be compared with. Of an old tarball it is
// one that is older still.
func (s *capturing) findBefore(ctx context.Context, r *repository) (err error) {
	taken := s.options.Taken
	if taken.IsZero() {
		taken = time.Now()
	}
	s.before, err = r.Before(ctx, s.options.Name, s.options.Host, taken)
	return err
}

// checkFolders refuses folders that most likely are not what they should be: empty ones,
// and those where something was mounted when the capture before was made, and is not now.
// It notes where something is mounted. Refused is, too, what a restore into a container left half done.
func (s *capturing) checkFolders() error {
	if err := s.checkHalf(); err != nil {
		return err
	}
	var mounted []string
	for _, from := range s.sources {
		if from.Kind != sources.Folder {
			continue
		}
		is := isMountPoint(from.Path)
		if is {
			mounted = append(mounted, from.Name)
		}
		if s.acceptEmpty {
			continue
		}
		if err := s.checkFolder(from, is); err != nil {
			return err
		}
	}
	delete(s.options.Labels, labelMounted)
	if len(mounted) > 0 {
		s.options.Labels[labelMounted] = strings.Join(mounted, ", ")
	}
	return nil
}

func (s *capturing) checkHalf() error {
	half, err := s.app.keeper().HalfRestored()
	if err != nil {
		return err
	}
	for _, from := range s.sources {
		at := realPlace(paths.Absolute(from.Path))
		for _, h := range half {
			for _, place := range h.Places {
				if real := realPlace(place); from.Kind == sources.Folder && real != "" && paths.Overlap(real, at) {
					return halfRestored("source "+screen.Line(from.Path), h)
				}
			}
		}
	}
	return nil
}

func halfRestored(what string, h stopped.Half) error {
	return fmt.Errorf("%s may be part new, part old: a restore into container %s, of %s, did not come to its end, or is at work. Nothing was captured: restore again, or start the container if its data is as it should be",
		what, screen.Line(h.Container), screen.LocalTime(h.Since))
}

func (s *capturing) checkFolder(from *sources.Source, mounted bool) error {
	was := s.volumeBefore(from.Name)
	if was != nil && !mounted && slices.Contains(strings.Split(s.before.Labels[labelMounted], ", "), was.Name) {
		return fmt.Errorf("source %s was a mount point in capture %s, and nothing is mounted there now: nothing was captured. --accept-empty takes it as it is",
			screen.Line(from.Path), s.before.ID)
	}
	empty, err := isEmptyFolder(from.Path)
	switch {
	case err != nil || !empty:
		return nil // reading it tells what is wrong
	case was != nil && was.Members > 1: // besides the folder itself
		return fmt.Errorf("source %s is empty, and had %s in capture %s: is something not mounted there? Nothing was captured. --accept-empty takes it as it is",
			screen.Line(from.Path), screen.Count(was.Members, "member", "members"), s.before.ID)
	case was == nil && !from.Empty:
		return fmt.Errorf("source %s is an empty folder: is something not mounted there? Nothing was captured. --accept-empty takes it as it is", screen.Line(from.Path))
	}
	return nil
}

// volumeBefore gives the volume of the capture before that the source of that name is to be compared with, or nil.
func (s *capturing) volumeBefore(name string) *store.Volume {
	planned := &store.Capture{}
	for _, from := range s.sources {
		planned.Volumes = append(planned.Volumes, store.Volume{Name: from.Name})
	}
	for _, p := range store.PairVolumes(s.before, planned) {
		if p.Is != nil && p.Is.Name == name {
			return p.Was
		}
	}
	return nil
}

func isEmptyFolder(path string) (bool, error) {
	f, err := os.Open(path)
	if err != nil {
		return false, err
	}
	defer f.Close()
	_, err = f.Readdirnames(1)
	if err == io.EOF {
		return true, nil
	}
	return false, err
}

// dropped says of which volumes more than half is gone since the capture before.
func (s *capturing) dropped(c *store.Capture) (texts []string) {
	for _, lost := range c.Shrunk(s.before) {
		texts = append(texts, shrunkText(lost, s.before.ID))
	}
	return texts
}

// shrunkText says how much there is and was of a volume of which more than half is gone.
func shrunkText(lost store.Shrinkage, before string) string {
	volume := screen.Printable(lost.Volume)
	if lost.Gone {
		return fmt.Sprintf("volume %s of capture %s is not in this one", volume, before)
	}
	is, was := screen.Size(lost.Bytes), screen.Size(lost.BytesBefore)
	if lost.FewMembers() {
		is, was = screen.Count(lost.Members, "member", "members"), screen.Count(lost.MembersBefore, "member", "members")
	}
	return fmt.Sprintf("volume %s: more than half is gone: %s now, %s in capture %s", volume, is, was, before)
}
