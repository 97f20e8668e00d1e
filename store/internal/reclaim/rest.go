package reclaim

import (
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// rest gives about how many bytes what captures need of a lot takes once it was moved. A delta stays one as far as its
// bases stay, or are moved with it. What stood on one that goes takes what that took, and what else stood on it stands on that.
// Of one that is moved alone, none counts as one whose bases lie in other slabs.
func (v *survey) rest(lot []*stocked, alone bool) int64 {
	r := &reckoning{survey: v, in: make(map[*stocked]bool, len(lot)), instead: make(map[int]bool), harmed: v.going.Harmed(), alone: alone}
	for _, s := range lot {
		r.in[s] = true
	}
	bytes := 0.0
	for _, s := range lot {
		bytes += r.slab(s)
	}
	return int64(bytes)
}

// reckoning is what slabs would take that are moved together.
type reckoning struct {
	*survey
	in      map[*stocked]bool
	instead map[int]bool        // chunks in whose place one is moved that stood on them
	harmed  ledger.HarmedPlaces // nothing is to stand on these
	alone   bool
}

// slab gives what is needed of one. Of what lies beside the frames, as much stays as of the chunks.
func (r *reckoning) slab(s *stocked) (bytes float64) {
	beside, asked := s.info.Size, 0
	for i := range s.frames {
		f := &s.frames[i]
		beside -= int64(f.Sealed)
		if f.Padding {
			bytes += float64(f.Sealed) // moving the rest would bring as much anew
			continue
		}
		for n, length := range f.Chunks {
			if r.asked.has(s.first + s.begins[i] + n) {
				asked++
				bytes += float64(length) * r.rate(s, i, n, format.MaxDepth)
			}
		}
	}
	return bytes + float64(max(0, beside))*float64(asked)/float64(max(1, s.chunks))
}

// rate gives what a byte of a frame's chunk takes once it is moved. Which bases are those of a chunk is told by their order alone.
func (r *reckoning) rate(s *stocked, frame, chunk, deep int) float64 {
	f := &s.frames[frame]
	own := float64(f.Sealed) / float64(f.Raw())
	all, lost, below := 0, 0, 0.0
	eachBase(f.Bases, chunk, len(f.Chunks), func(id format.SlabID, n int) {
		all++
		base := r.stock[id]
		if r.keeps(s, base, n) {
			return
		}
		lost++
		if base == nil || n >= base.chunks || deep == 0 {
			below++ // it is taken for what can't be compressed
			return
		}
		r.instead[base.first+n] = true
		i := base.frameOf(n)
		below += r.rate(base, i, n-base.begins[i], deep-1)
	})
	if lost == 0 {
		return own
	}
	return own + max(0, below/float64(lost)-own)*float64(lost)/float64(all)
}

// keeps tells whether what is moved of a slab finds a base again: it stays, or is moved as well, or another one is there instead.
func (r *reckoning) keeps(of, base *stocked, n int) bool {
	switch {
	case base == nil || n >= base.chunks || r.alone && base != of:
		return false
	case r.instead[base.first+n]:
		return true
	case r.in[base]:
		return r.asked.has(base.first + n)
	}
	return !r.harmed.Covers(base.id, []uint32{uint32(base.frameOf(n))})
}

// eachBase gives those bases that come where a chunk does, at least one: they are in the order of what they were taken for.
func eachBase(bases []format.Base, chunk, chunks int, give func(slab format.SlabID, n int)) {
	all := 0
	for _, b := range bases {
		all += int(b.Count)
	}
	from := chunk * all / chunks
	to := max(from+1, (chunk+1)*all/chunks)
	for _, b := range bases {
		for n := max(0, from); n < min(int(b.Count), to); n++ {
			give(b.Slab, int(b.First)+n)
		}
		from, to = from-int(b.Count), to-int(b.Count)
	}
}
