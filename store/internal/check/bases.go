package check

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/store/internal/fetch"
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

// spread finds out which frames can't be read since what they stand on can't, by what was found of that, and what that is: of
// frames that were not opened, nothing else tells. Those of less depth come first.
func (v *verifier) spread(ctx context.Context) error {
	v.noteBases()
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
				if err := v.spreadTo(ctx, badPlace{id, i}, frames[i].Bases); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// noteBases takes down what errors of frames say of their bases: of a sample, these may not have been opened themselves.
func (v *verifier) noteBases() {
	for _, s := range v.Slabs {
		for _, err := range s.Bad {
			for at, ok := errors.AsType[*fetch.SlabError](err); ok; at, ok = errors.AsType[*fetch.SlabError](at.Err) {
				if s := v.state(at.Slab); s.Bad[-1] == nil && s.Bad[at.Frame] == nil {
					s.Bad[at.Frame] = at
				}
			}
		}
	}
}

// spreadTo notes a frame as bad that stands on what is.
func (v *verifier) spreadTo(ctx context.Context, place badPlace, bases []format.Base) error {
	s := v.Slabs[place.slab]
	if s.Bad[-1] != nil || s.Bad[place.frame] != nil && !errors.Is(s.Bad[place.frame], fetch.ErrBase) {
		return nil
	}
	for _, b := range bases {
		at, bad, err := v.badBase(ctx, place, b)
		if err != nil {
			return err
		}
		if bad == nil {
			continue
		}
		if s.Bad[place.frame] == nil {
			s.Bad[place.frame] = fmt.Errorf("frame %d: %w: %w", place.frame, fetch.ErrBase, bad)
		}
		for _, cause := range v.causesOf(at) {
			if !slices.Contains(v.causes[place], cause) {
				v.causes[place] = append(v.causes[place], cause)
			}
		}
	}
	return nil
}

// causesOf gives the places that are damaged themselves, for which one can't be read.
func (v *verifier) causesOf(place badPlace) []badPlace {
	if causes := v.causes[place]; causes != nil {
		return causes
	}
	return []badPlace{place}
}

// badBase gives the damage of a base, or nil, and its place: that of the frame that names it, where it is no base.
func (v *verifier) badBase(ctx context.Context, place badPlace, b format.Base) (at badPlace, damage, err error) {
	if s := v.Slabs[b.Slab]; s != nil && s.Bad[-1] != nil {
		return badPlace{b.Slab, -1}, s.Bad[-1], nil
	}
	slab, err := v.r.slabs.Open(ctx, b.Slab)
	switch {
	case vault.IsDamage(err):
		return badPlace{b.Slab, -1}, err, v.state(b.Slab).note(-1, err)
	case err != nil:
		return place, nil, err
	}
	frame, damage := slab.BaseFrame(b, v.Slabs[place.slab].standing[place.frame].Depth)
	if damage != nil {
		return place, damage, nil
	}
	return badPlace{b.Slab, frame}, v.state(b.Slab).Bad[frame], nil
}

// standingOf gives the frames of a slab where some stand on others, else nil.
func standingOf(frames []format.Frame) []format.Frame {
	if slices.ContainsFunc(frames, func(f format.Frame) bool { return len(f.Bases) > 0 }) {
		return frames
	}
	return nil
}
