package reclaim

import (
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
)

// rest gives about how many bytes what captures need of a lot takes once it was moved. A delta stays one as far as its
// bases stay, or are moved with it. What stood on one that goes takes what that took, and what else stood on it stands on that.
// Of one that is moved alone, none counts as one whose bases lie in other slabs.
func (v *survey) rest(lot []*stocked, alone bool) int64 {
	r := &reckoning{survey: v, harmed: v.going.Harmed(), alone: alone, lost: make(map[int]float64)}
	for _, s := range lot {
		s.moves = true
	}
	bytes := 0.0
	for _, s := range lot {
		bytes += r.slab(s)
	}
	for _, s := range lot {
		s.moves = false
	}
	for _, at := range r.marked {
		v.instead.unset(at)
	}
	return int64(bytes)
}

// reckoning is what slabs would take that are moved together. It marks in survey.instead in the place of which chunks one is
// moved that stood on them.
type reckoning struct {
	*survey
	marked []int               // in survey.instead
	harmed ledger.HarmedPlaces // nothing is to stand on these
	alone  bool
	lost   map[int]float64 // by number of a chunk that others stood on and do not find again: what a byte of it takes
	bases  []base          // used again
}

// mostReckoned is how many chunks a frame is taken to stand on: writers come to a few hundred, and a forged table could name 64
// times as many in some hundred bytes.
const mostReckoned = format.MaxFrameChunks

// base is a chunk that another one stands on.
type base struct {
	slab *stocked // nil: it is not there
	n    int
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
		length, n := int64(0), 0
		for j, l := range f.Chunks {
			if r.asked.has(s.first + s.begins[i] + j) {
				length, n = length+int64(l), n+1
			}
		}
		asked += n
		switch {
		case n == 0:
		case len(f.Bases) == 0:
			bytes += float64(length) * ratio(f)
		default:
			bytes += r.frame(s, i)
		}
	}
	return bytes + float64(max(0, beside))*float64(asked)/float64(max(1, s.chunks))
}

// ratio is what a byte of a frame takes.
func ratio(f *format.Frame) float64 { return float64(f.Sealed) / float64(f.Raw()) }

// frame gives what is needed of one that stands on others, chunk by chunk. Which bases are those of a chunk is told by their
// order alone.
func (r *reckoning) frame(s *stocked, number int) (bytes float64) {
	f := &s.frames[number]
	r.bases = r.bases[:0]
	for _, b := range f.Bases {
		slab := r.stock[b.Slab]
		for n := range min(int(b.Count), mostReckoned-len(r.bases)) {
			r.bases = append(r.bases, base{slab, int(b.First) + n})
		}
	}
	own, all := ratio(f), r.bases
	for n, length := range f.Chunks {
		if r.asked.has(s.first + s.begins[number] + n) {
			from, to := span(n, len(f.Chunks), len(all))
			bytes += float64(length) * r.rate(s, own, all[from:to], format.MaxDepth)
		}
	}
	return bytes
}

// rate gives what a byte of a slab's chunk takes once it is moved, that took as much as own and stood on some others.
func (r *reckoning) rate(s *stocked, own float64, on []base, deep int) float64 {
	lost, below := 0, 0.0
	for _, b := range on {
		if r.keeps(s, b) {
			continue
		}
		lost++
		if b.slab == nil || b.n >= b.slab.chunks || deep == 0 {
			below++ // it is taken for what can't be compressed
			continue
		}
		below += r.lostRate(b, deep)
	}
	if lost == 0 {
		return own
	}
	return own + max(0, below/float64(lost)-own)*float64(lost)/float64(len(on))
}

// lostRate gives what a byte of a chunk took, by what that stood on, and marks that another one is moved in its place.
func (r *reckoning) lostRate(b base, deep int) float64 {
	at := b.slab.first + b.n
	if rate, ok := r.lost[at]; ok {
		return rate
	}
	r.marked = append(r.marked, at)
	r.instead.set(at)
	frame := b.slab.frameOf(b.n)
	f := &b.slab.frames[frame]
	var under []base
	eachBase(f.Bases, b.n-b.slab.begins[frame], len(f.Chunks), func(slab format.SlabID, n int) {
		under = append(under, base{r.stock[slab], n})
	})
	r.lost[at] = r.rate(b.slab, ratio(f), under, deep-1)
	return r.lost[at]
}

// keeps tells whether what is moved of a slab finds a base again: it stays, or is moved as well, or another one is there instead.
func (r *reckoning) keeps(of *stocked, b base) bool {
	switch {
	case b.slab == nil || b.n >= b.slab.chunks || r.alone && b.slab != of:
		return false
	case b.slab.moves:
		return r.asked.has(b.slab.first+b.n) || r.instead.has(b.slab.first+b.n)
	}
	return len(r.harmed) == 0 || !r.harmed.Covers(b.slab.id, []uint32{uint32(b.slab.frameOf(b.n))})
}

// span gives from where to where the bases of a chunk are, at least one, among all that its frame stands on: they are in the order
// of what they were taken for.
func span(chunk, chunks, bases int) (from, to int) {
	from = chunk * bases / chunks
	return from, min(bases, max(from+1, (chunk+1)*bases/chunks))
}

// eachBase gives the bases of a chunk. It takes a time that grows as their number does, and that of the frame's bases.
func eachBase(bases []format.Base, chunk, chunks int, give func(slab format.SlabID, n int)) {
	all := 0
	for _, b := range bases {
		all += int(b.Count)
	}
	from, to := span(chunk, chunks, min(all, mostReckoned))
	for _, b := range bases {
		for n := max(0, from); n < min(int(b.Count), to); n++ {
			give(b.Slab, int(b.First)+n)
		}
		from, to = from-int(b.Count), to-int(b.Count)
	}
}
