package reclaim

import (
	"cmp"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/lease"
	"github.com/kistarchive/kist/store/internal/stock"
)

// maxDead is the share of what is stored that may be dead where nothing else is
// asked for. Half of what a user may be promised: what moves leaves some behind.
const maxDead = 0.03

// MayStay tells whether what is dead of what is stored, in bytes, stays where nothing else is asked for.
func MayStay(dead, stored int64) bool { return float64(dead) <= maxDead*float64(stored-dead) }

// leastGain is the share of what is moved together that comes free by it at the least, where nothing else is asked for: deltas whose
// bases go take more than they did, and what is planned is an estimate. Common practice, no source.
const leastGain = 0.01

// leastBeyond is that share of what is moved though no more is dead than may be: it is not to write much for little, again and again.
// Common practice, no source.
const leastBeyond = 0.1

// partly are slabs that can be moved together, and what comes free then.
type partly struct {
	lot   []*stocked
	free  int64
	share float64
}

// victims gives the slabs whose rests are to be moved.
func (v *survey) victims(minDead float64, others []lease.Writer) []*stocked {
	if v.blind != nil {
		return nil // the old ones would stay beside what was moved
	}
	stays := v.staying(others)
	chosen := v.harmedVictims(stays, minDead > 0)
	movable := v.movable(stays)
	var stored, dead int64
	for _, s := range v.order {
		if !stays[s] {
			stored += s.info.Size
			dead += v.dead(s)
		}
	}
	var all []partly
	for _, lot := range v.lots(movable) {
		if n, size := v.freed(lot); n > 0 {
			all = append(all, partly{lot, n, float64(n) / float64(size)})
		}
	}
	slices.SortStableFunc(all, func(a, b partly) int { return cmp.Compare(b.share, a.share) })
	among := make(map[*stocked]bool)
	for _, s := range chosen {
		among[s] = true
	}
	for _, p := range all {
		if p.share < cmp.Or(minDead, leastGain) {
			break
		}
		if minDead == 0 && MayStay(dead, stored) && v.givesLittle(p, among, stored) {
			continue
		}
		more := false
		for _, s := range p.lot {
			if !among[s] {
				among[s], more = true, true
				chosen = append(chosen, s)
				dead -= v.dead(s)
			}
		}
		if more { // else it goes with what it stands on
			stored -= p.free
		}
	}
	return chosen
}

// givesLittle tells whether what comes free with some slabs may stay, beside what some among them free. What is there only for what
// stands on it is not dead, and comes free as well: of many captures that went it may be more than what is.
func (v *survey) givesLittle(p partly, among map[*stocked]bool, stored int64) bool {
	if p.share < leastBeyond || MayStay(p.free, stored) {
		return true
	}
	chosen := slices.DeleteFunc(slices.Clone(p.lot), func(s *stocked) bool { return !among[s] })
	free, _ := v.freed(chosen)
	return MayStay(v.promised(p.lot, p.free)-v.promised(chosen, free), stored)
}

// staying gives the slabs that can't be moved, or go as a whole. Those that are harmed, or say what is not so, are among them.
func (v *survey) staying(others []lease.Writer) map[*stocked]bool {
	young, named, harmed := v.young(others), stock.NewExclusion(v.going), v.going.Harmed()
	stays := make(map[*stocked]bool)
	for _, s := range v.absent {
		stays[s] = true
	}
	for _, s := range v.order {
		_, isHarmed := harmed[s.id]
		// What nothing wants goes once what is retired has gone: moved before, it would be so twice.
		stays[s] = young[s.id] || isHarmed || s.frames == nil || s.short || v.unused(s, v.wanted) || named.Covers(s.id, s.info)
	}
	return stays
}

// harmedVictims gives slabs that are moved, though they stay else, so that what can't be read is gone: those that are harmed
// where nothing is needed. Where all are asked for, what stands on them is moved as well, if it can be, though deltas may become
// plain by it: that happens once.
func (v *survey) harmedVictims(stays map[*stocked]bool, all bool) (chosen []*stocked) {
	harmed := v.going.Harmed()
	rid := slices.DeleteFunc(slices.Clone(v.order), func(s *stocked) bool {
		frames := harmed[s.id]
		return len(frames) == 0 || s.frames == nil || v.unused(s, v.wanted) || v.needsFrames(s, frames)
	})
	among := make(map[*stocked]bool)
	for _, s := range rid {
		lot := v.lot(s)
		if !v.movesAlone(s) && !(all && !slices.ContainsFunc(lot, func(o *stocked) bool { return stays[o] && !slices.Contains(rid, o) })) {
			continue
		}
		for _, o := range lot {
			if !among[o] {
				among[o] = true
				chosen = append(chosen, o)
			}
		}
	}
	return chosen
}

// movable gives the slabs that can be moved, each behind all needed ones that stand on it, as these are moved with it: if one
// of them stays, so does all that it stands on. So do slabs that stand on each other in a circle, which nobody makes by mistake.
func (v *survey) movable(stays map[*stocked]bool) (order []*stocked) {
	on := make(map[*stocked]int) // how many stand on it that are not in the order yet
	for _, s := range slices.Backward(v.order) {
		for _, above := range s.above {
			if v.carried(above) {
				on[s]++
			}
		}
		if on[s] == 0 && !stays[s] {
			order = append(order, s)
		}
	}
	for i := 0; i < len(order); i++ {
		if !v.carried(order[i]) {
			continue // nobody waits for it
		}
		for _, base := range order[i].below {
			if on[base]--; on[base] == 0 && !stays[base] {
				order = append(order, base)
			}
		}
	}
	return order
}

// carried tells of a slab that it is moved with what it stands on: it remains, and is needed.
func (v *survey) carried(s *stocked) bool { return v.remains(s) && !v.unused(s, v.needed) }

// Of a chain of slabs each of which stands on the one before, the lots would be half its length each. So those above mostLot are
// not told apart by each slab, but by a step of 1/lotSteps: to find victims takes a time that grows as the number of slabs does.
const (
	mostLot  = 64
	lotSteps = 8
)

// lots gives what can be moved together, for each slab of which something may come free: with few others, just what must be moved
// with it.
func (v *survey) lots(movable []*stocked) (lots [][]*stocked) {
	var big []*stocked
	for _, s := range movable {
		if !v.spares(s) {
			continue
		}
		if lot := v.lotUpTo(s, mostLot); lot != nil {
			lots = append(lots, lot)
		} else {
			big = append(big, s)
		}
	}
	if len(big) == 0 {
		return lots
	}
	for _, together := range v.joined(movable) {
		for n := len(together); ; n -= n / lotSteps {
			for n > mostLot && !v.spares(together[n-1]) {
				n-- // nothing that has to be moved stands on it
			}
			if n <= mostLot {
				break
			}
			lots = append(lots, together[:n])
		}
	}
	return lots
}

// spares tells of a slab that some of it is there only for what stands on it, or dead.
func (v *survey) spares(s *stocked) bool {
	at := s.first
	for i := range s.frames {
		n := len(s.frames[i].Chunks)
		for j := range n {
			if !s.frames[i].Padding && !v.asked.has(at+j) {
				return !s.short
			}
		}
		at += n
	}
	return false
}

// joined gives the movable slabs that stand on others, or these on them, by any way, in the order of movable: what comes first
// of them can be moved without the rest.
func (v *survey) joined(movable []*stocked) (all [][]*stocked) {
	can := make(map[*stocked]bool, len(movable))
	for _, s := range movable {
		can[s] = true
	}
	of := make(map[*stocked]int, len(movable))
	for _, first := range movable {
		if _, done := of[first]; done {
			continue
		}
		of[first] = len(all)
		all = append(all, nil)
		for next := []*stocked{first}; len(next) > 0; {
			s := next[len(next)-1]
			next = next[:len(next)-1]
			for _, beside := range [][]*stocked{s.below, s.above} {
				for _, o := range beside {
					if _, done := of[o]; !done && can[o] {
						of[o] = of[first]
						next = append(next, o)
					}
				}
			}
		}
	}
	for _, s := range movable {
		all[of[s]] = append(all[of[s]], s)
	}
	return all
}

// movesAlone tells of a slab that nothing stands on it, and that it takes no more once it was moved: deltas whose bases are not
// moved with them become plain, which may take many times as much.
func (v *survey) movesAlone(s *stocked) bool {
	if v.lotUpTo(s, 1) == nil {
		return false
	}
	lot := []*stocked{s}
	n, size := v.freed(lot)
	if s.standsOnOthers() {
		n = size - v.rest(lot, true)
	}
	return n >= 0
}

// written gives how many bytes are promised to be written at the most if some slabs are moved together.
func (v *survey) written(lot []*stocked) int64 {
	freed, size := v.freed(lot)
	return size - v.promised(lot, freed)
}

// promised gives how much is promised of what comes free if some slabs are moved together. What does so only as chunks take the
// place of what they stood on is promised by half: how like each other they are is not known. Of crowds a third is not promised.
func (v *survey) promised(lot []*stocked, freed int64) int64 {
	dead := int64(0)
	for _, s := range lot {
		dead += v.dead(s)
	}
	freed -= max(0, freed-dead) / 2
	if freed > 0 && v.crowded(lot) {
		freed -= freed / 3
	}
	return freed
}

// crowd is three quarters of how many frames may stand on the same chunks (intake bounds it).
const crowd = 96

// crowded tells of slabs whether so much of them stands on the same chunks, and so much on those of earlier captures, that where it is
// moved some of it becomes plain: how much differs by where cuts fall. Of tables of 28 to 34 MB, of rows alike, in eight states, half of
// which went, 0.4 to 1.4 of what was reckoned came.
func (v *survey) crowded(lot []*stocked) bool {
	crowds, later := new(intake.Crowds), 0
	for _, s := range lot {
		for i := range s.frames {
			f := &s.frames[i]
			crowds.Count(intake.GroupsOf(f.Bases))
			isOther := func(b format.Base) bool { return b.Slab != s.id }
			if at := s.first + s.begins[i]; slices.ContainsFunc(f.Bases, isOther) && 2*v.asked.count(at, at+len(f.Chunks)) >= len(f.Chunks) {
				later++
			}
		}
	}
	return later >= crowd && slices.ContainsFunc(lot, func(s *stocked) bool {
		return s.chunks > 0 && crowds.On(format.Base{Slab: s.id, Count: uint32(s.chunks)}) >= crowd
	})
}

// freed gives how many bytes come free if some slabs are moved together, and how many they have.
func (v *survey) freed(lot []*stocked) (bytes, size int64) {
	deltas := false
	for _, s := range lot {
		size += s.info.Size
		bytes += v.dead(s)
		deltas = deltas || s.standsOnOthers()
	}
	if deltas {
		bytes = size - v.rest(lot, false)
	}
	return bytes, size
}

// needsFrames tells whether a chunk of some frames is needed.
func (v *survey) needsFrames(s *stocked, frames []uint32) bool {
	at := s.first
	for i := range s.frames {
		n := len(s.frames[i].Chunks)
		if slices.Contains(frames, uint32(i)) && v.needed.any(at, at+n) {
			return true
		}
		at += n
	}
	return false
}
