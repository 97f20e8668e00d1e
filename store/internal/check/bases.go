package check

import (
	"context"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/vault"
)

// wantBases has the slabs wanted, too, on which slabs stand that captures want, by what tables say.
func (v *verifier) wantBases() {
	var wanted []format.SlabID
	for id, s := range v.Slabs {
		if s.wanted {
			wanted = append(wanted, id)
		}
	}
	for len(wanted) > 0 {
		s := v.Slabs[wanted[len(wanted)-1]]
		wanted = wanted[:len(wanted)-1]
		if s.record == nil {
			continue
		}
		for _, id := range s.record.BaseSlabs() {
			if base := v.state(id); !base.wanted {
				base.wanted = true
				wanted = append(wanted, id)
			}
		}
	}
}

// spread finds out which frames can't be read since what they stand on can't, by what was found of that: of frames that
// were not opened, nothing else tells. Those of less depth come first.
func (v *verifier) spread(ctx context.Context) error {
	standing := make(map[format.SlabID][]format.Frame)
	for id, s := range v.Slabs {
		if len(s.standing) > 0 {
			standing[id] = s.standing // spreadTo may add states
		}
	}
	for depth := uint32(1); depth <= format.MaxDepth; depth++ {
		for id, frames := range standing {
			for i := range frames {
				if frames[i].Depth != depth {
					continue
				}
				if err := v.spreadTo(ctx, v.Slabs[id], i, frames[i].Bases); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// spreadTo notes a frame as bad that stands on what is.
func (v *verifier) spreadTo(ctx context.Context, s *SlabState, frame int, bases []format.Base) error {
	for _, b := range bases {
		if s.Bad[frame] != nil || s.Bad[-1] != nil {
			return nil
		}
		bad, err := v.badBase(ctx, b)
		if err != nil {
			return err
		}
		if bad != nil {
			s.Bad[frame] = fmt.Errorf("frame %d: what it stands on: %w", frame, bad)
		}
	}
	return nil
}

// badBase gives the damage of a base, or nil.
func (v *verifier) badBase(ctx context.Context, b format.Base) (damage, err error) {
	if s := v.Slabs[b.Slab]; s != nil && s.Bad[-1] != nil {
		return s.Bad[-1], nil
	}
	slab, err := v.r.slabs.Open(ctx, b.Slab)
	switch {
	case vault.IsDamage(err):
		return err, v.state(b.Slab).note(-1, err)
	case err != nil:
		return nil, err
	case b.First >= slab.Chunks():
		return fmt.Errorf("%w: chunk %d of slab %s is named and there are %d", format.ErrDamaged, b.First, b.Slab, slab.Chunks()), nil
	}
	return v.state(b.Slab).Bad[slab.FrameOf(b.First)], nil
}

// standingOf gives the frames of a slab where some stand on others, else nil.
func standingOf(frames []format.Frame) []format.Frame {
	if slices.ContainsFunc(frames, func(f format.Frame) bool { return len(f.Bases) > 0 }) {
		return frames
	}
	return nil
}
