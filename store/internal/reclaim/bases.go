package reclaim

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// linkBases finds out which slabs stand on which.
func (v *survey) linkBases() {
	for _, s := range v.all() {
		for _, id := range format.BaseSlabs(s.id, slices.Concat(s.frames, s.also)) {
			base := v.at(id)
			s.below, base.above = append(s.below, base), append(base.above, s)
		}
	}
}

// all gives the slabs that there are, and the absent ones.
func (v *survey) all() []*stocked {
	return slices.AppendSeq(slices.Clone(v.order), maps.Values(v.absent))
}

// holdBases notes that what needed frames stand on is needed, too. A slab that stays keeps what any of its frames
// stands on, be it needed or not: writers rely on all of a slab. Within a slab, only frames that are needed hold others.
// One that is absent holds as much: it may come back.
func (v *survey) holdBases() {
	v.noteBlind()
	all := v.all()
	for _, needs := range []bitset{v.wanted, v.needed} {
		var used []*stocked
		seen := make(map[*stocked]bool)
		use := func(s *stocked) {
			if !seen[s] && !v.unused(s, needs) {
				seen[s] = true
				used = append(used, s)
			}
		}
		for _, s := range all {
			use(s)
		}
		for len(used) > 0 {
			s := used[len(used)-1]
			used = used[:len(used)-1]
			v.holdOf(s, needs)
			for _, base := range s.below {
				use(base)
			}
		}
	}
}

// holdOf notes what the frames of a slab hold. Bases within a slab come before what stands on them. Where different things are
// said of them, nobody knows which frame is which: all that may be a base is held.
func (v *survey) holdOf(s *stocked, needs bitset) {
	for i := range s.also {
		for _, b := range s.also[i].Bases {
			v.at(b.Slab).hold(b, needs)
			v.noteUnknown(b, s.also[i].Depth)
		}
	}
	end := s.first + s.chunks
	for i := len(s.frames) - 1; i >= 0; i-- {
		f := &s.frames[i]
		begin := end - len(f.Chunks)
		for _, b := range f.Bases {
			needed := needs.any(begin, end)
			if b.Slab != s.id || needed {
				v.at(b.Slab).hold(b, needs)
			}
			if needed { // nobody relies on others of which a base is missing, and nothing stands on frames of such a depth
				v.noteUnknown(b, f.Depth)
			}
		}
		end = begin
	}
}

// noteUnknown notes that a frame of a depth has a base of which nobody knows what that stands on. One of depth 0 stands on nothing.
func (v *survey) noteUnknown(b format.Base, depth uint32) {
	if base := v.at(b.Slab); v.blind == nil && base.frames == nil && depth > 1 {
		v.blind = base
	}
}

// hold marks a base. A slab of which is not known what it holds stays as a whole.
func (s *stocked) hold(b format.Base, needs bitset) {
	s.short = s.short || int(b.First)+int(b.Count) > s.chunks
	for n := int(b.First); n < int(b.First)+int(b.Count) && n < s.chunks; n++ {
		needs.set(s.first + n)
	}
}

// noteBlind notes a needed slab of which it is unknown what it stands on, where some do: nothing is taken for unneeded then.
func (v *survey) noteBlind() {
	deltas := false
	for _, c := range v.captures {
		deltas = deltas || c.Deltas
	}
	v.blind = nil
	if !deltas {
		return
	}
	var blind *stocked
	for _, s := range v.all() {
		if s.frames == nil && v.named(s) && (blind == nil || bytes.Compare(s.id[:], blind.id[:]) < 0) {
			blind = s
		}
	}
	v.blind = blind
}

// noteBlindness says why nothing is freed.
func (v *survey) noteBlindness() []string {
	if v.blind == nil {
		return nil
	}
	what := "is missing"
	if v.stock[v.blind.id] != nil {
		what = "can't be read"
	}
	return []string{fmt.Sprintf("%s %s, captures need it, and no table says what it stands on: any other slab may be that, so none is freed until it is back. "+
		"Put the file back if a copy of the repository has it; repairing fetches it from another place, or gives up what is lost with it", names.Slab(v.blind.id), what)}
}

// together takes slabs out of a set that are not to go before what stands on them: as long as that is there, a writer
// may rely on it, and with it on them. Slabs that are named finally already stand in nobody's way.
func (v *survey) together(going map[format.SlabID]*stocked, named map[format.SlabID]bool) {
	var stay []*stocked
	for _, s := range v.order {
		if going[s.id] == nil && !(named[s.id] && v.unused(s, v.needed)) {
			stay = append(stay, s)
		}
	}
	for i := 0; i < len(stay); i++ {
		for _, base := range stay[i].below {
			if going[base.id] != nil {
				delete(going, base.id)
				stay = append(stay, base)
			}
		}
	}
}

// remains tells of a slab that it is there, or absent, and was not removed.
func (v *survey) remains(s *stocked) bool { return v.stock[s.id] != nil || v.absent[s.id] != nil }

// misses tells of an absent slab that it is needed: what it stands on is known by its record in tables alone.
func (v *survey) misses(id format.SlabID) bool {
	s := v.absent[id]
	return s != nil && !v.unused(s, v.needed)
}

// lot gives a slab and what stands on it, as far as it is needed, which can only be moved together. What is absent
// can't be moved.
func (v *survey) lot(s *stocked) []*stocked { return v.lotUpTo(s, math.MaxInt) }

// lotUpTo is lot, or nil if that is of more than some slabs.
func (v *survey) lotUpTo(s *stocked, most int) []*stocked {
	lot := []*stocked{s}
	seen := map[*stocked]bool{s: true}
	for i := 0; i < len(lot); i++ {
		for _, above := range lot[i].above {
			if seen[above] || !v.carried(above) {
				continue
			}
			if len(lot) == most {
				return nil
			}
			seen[above] = true
			lot = append(lot, above)
		}
	}
	return lot
}
