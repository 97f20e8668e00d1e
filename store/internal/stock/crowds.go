package stock

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
)

// countCrowds counts what stands on what, by all records that have deltas, but for those that are counted already, if counted is set.
func countCrowds(ctx context.Context, records []*format.SlabRecord, counted func(format.SlabID) bool) (*intake.Crowds, error) {
	all, crowds := foundationsOf(records), new(intake.Crowds)
	for _, rec := range records {
		if counted != nil && counted(rec.Slab) {
			continue
		}
		for i := range rec.Frames {
			if ctx.Err() != nil {
				return nil, context.Cause(ctx)
			}
			crowds.Count(all.under(&rec.Frames[i]))
		}
	}
	return crowds, nil
}

// foundations are slabs that have deltas, as what others stand on.
type foundations map[format.SlabID]*foundation

type foundation struct {
	*baseless
	groups map[int]intake.Groups // by frame, once one stands on it: what it stands on
}

func foundationsOf(records []*format.SlabRecord) foundations {
	all := make(foundations, len(records))
	for _, rec := range records {
		all[rec.Slab] = &foundation{baseless: newBaseless(rec), groups: make(map[int]intake.Groups)}
	}
	return all
}

// under gives what a frame stands on, by any way.
func (all foundations) under(f *format.TableFrame) intake.Groups {
	return intake.GroupsOf(f.Bases).With(all.below(f)...)
}

// below gives what the frames stand on that a frame stands on, each once. No more are looked at than it may have: nobody reads one
// that has more.
func (all foundations) below(f *format.TableFrame) (below []intake.Groups) {
	type place struct {
		slab  format.SlabID
		frame int
	}
	seen := make([]place, 0, format.MaxBaseFrames)
	for _, b := range f.Bases {
		s := all[b.Slab]
		if s == nil {
			continue
		}
		at := place{b.Slab, s.frameOf(b.First)}
		if at.frame < 0 || len(s.frames[at.frame].Bases) == 0 || slices.Contains(seen, at) {
			continue
		}
		if len(seen) == format.MaxBaseFrames {
			break
		}
		seen, below = append(seen, at), append(below, s.under(at.frame))
	}
	return below
}

// under gives what a frame stands on itself.
func (s *foundation) under(frame int) intake.Groups {
	groups, ok := s.groups[frame]
	if !ok {
		groups = intake.GroupsOf(s.frames[frame].Bases)
		s.groups[frame] = groups
	}
	return groups
}
