package main

import (
	"context"
	"fmt"
	"path/filepath"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/volume"
)

// placeMembers restores some members into a folder that is in use: into a part
// folder in it first, and when all are there, each into its place.
func (s *restoring) placeMembers(ctx context.Context, volumes []*store.Volume, dir string) error {
	var report *volume.ExtractReport
	done, err := volume.Place(ctx, dir, func(ctx context.Context, part *volume.Folder) (err error) {
		if report, err = s.build(ctx, volumes, part, true); err == nil {
			s.app.warnAll(lossTexts(report))
		}
		return err
	}, volume.PlaceOptions{DiscardPrevious: s.discard})
	if done == nil {
		return err
	}
	for _, kept := range done.Kept {
		s.app.say("The previous one is kept as %s.", printable(filepath.Join(dir, kept)))
	}
	if err != nil {
		return fmt.Errorf("%s: %w. %s in place already", dir, err, count(done.Entries, "entry is", "entries are"))
	}
	s.sayRestored(dir, report)
	return nil
}
