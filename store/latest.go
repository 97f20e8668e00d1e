package store

import (
	"cmp"
	"context"
	"slices"
	"strings"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// latestVolume gives the volume as the latest capture of the same name, host and
// source has it, which was not retired, or nil.
func (s *session) latestVolume(ctx context.Context, v VolumeInput) *format.Volume {
	retired, err := s.r.listMarks(ctx, names.Retired)
	if err != nil {
		return nil // it is only read again
	}
	gone := make(map[string]bool)
	for _, info := range retired {
		if id, err := names.ParseMark(info.Name); err == nil {
			gone[id] = true
		}
	}
	var found *format.Volume
	s.r.latestLike(ctx, s.files, func(c *Capture) bool {
		if !gone[c.ID] {
			found = findPrior([]*Capture{c}, s.o, v)
		}
		return found != nil
	})
	return found
}

// newestFirst orders captures by the minute in their ids, as Captures does, and
// within a minute by when they were written.
func newestFirst(all [][]indexFile) [][]indexFile {
	minute := func(f indexFile) string {
		m, _, _ := strings.Cut(f.info.Name, "-")
		return m
	}
	slices.SortStableFunc(all, func(a, b []indexFile) int {
		return cmp.Or(cmp.Compare(minute(b[0]), minute(a[0])), b[0].info.Modified.Compare(a[0].info.Modified))
	})
	return all
}

// latestLike gives the newest capture that fits, of those whose index files were
// listed, or nil. It reads them newest first, and not many more than it must; what
// can't be read does not fit.
func (r *Repository) latestLike(ctx context.Context, files []storage.Info, fits func(*Capture) bool) *Capture {
	all := newestFirst(generations(files))
	for n := 1; len(all) > 0; n = min(2*n, readers) {
		n = min(n, len(all))
		captures, _, _, err := r.readCaptures(ctx, all[:n])
		if err != nil {
			return nil
		}
		for _, c := range slices.Backward(captures) {
			if fits(c) {
				return c
			}
		}
		all = all[n:]
	}
	return nil
}
