package intake

import (
	"cmp"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/delta"
	"github.com/kistarchive/kist/store/internal/format"
)

// Deltas says which chunks are said by others that they are alike.
type Deltas int

// The ways of it.
const (
	DeltasOff Deltas = iota // none
	DeltasOwn               // by what was taken in shortly before
	DeltasOn                // also by what the stream before had in their place
)

const (
	// ownAnchors is how densely chunks are sampled.
	ownAnchors delta.Often = 1024
	// leastHits is how many anchors a chunk shares with another one that it is said by: one may be chance, or a
	// passage that all files have.
	leastHits = 2
	// mostBases is how many chunks one is said by.
	mostBases = 12
	// mostBase is how many bytes of bases a frame has, so that they take little memory. One chunk may have more.
	mostBase = 2 << 20
	// ringBytes is how far back bases are looked for, in bytes of memory for chunks that stand alone. Measured on servers that
	// keep a log and a tree of the same values.
	ringBytes = 64 << 20
	// ringBeside is the same where contents are said by what was there before, too: most have their bases there, and frames of
	// these are in memory besides.
	ringBeside = 48 << 20
)

// held is a frame that stands alone, kept for what is said by it.
type held struct {
	number  int // of the frame
	raw     []byte
	lengths []uint32
	ids     []byte
	anchors []uint64
}

// chunk gives a chunk's bytes.
func (h *held) chunk(n int) []byte {
	at := 0
	for _, length := range h.lengths[:n] {
		at += int(length)
	}
	return h.raw[at : at+int(h.lengths[n])]
}

// spot is a chunk of a frame that is held.
type spot struct {
	in *held
	n  int
}

// basis is a chunk that another one may be said by.
type basis struct {
	data  []byte
	id    crypt.Identity
	depth uint32
	whole int // uncompressed length of its frame as far as that was filled, in bytes
	frame int // of this session; -1: of the slab that was there before
	slab  format.SlabID
	of    int           // there, number of the frame
	n     uint32        // number of the chunk in the frame, or in that slab
	below []format.Base // there, what the frame stands on
}

// sameFrame tells whether two chunks are of one frame.
func (b *basis) sameFrame(o *basis) bool {
	return b.frame == o.frame && b.slab == o.slab && b.of == o.of
}

// ring finds chunks that are alike, among those of the last frames that stand alone.
type ring struct {
	sampler *delta.Sampler
	frames  []*held         // the oldest first; the last may be open yet
	bytes   int             // of memory for their chunks
	most    int             // of these
	of      map[uint64]spot // by anchor
	free    []*held
	anchors []uint64 // of the chunk at hand
	votes   []vote
	found   []basis
}

// vote is how many anchors a chunk shares with one.
type vote struct {
	spot
	hits int
}

func newRing() *ring {
	return &ring{sampler: delta.NewSampler(), of: make(map[uint64]spot), most: ringBytes}
}

// hold bounds what is held, in bytes of memory. From the next frame on it holds no more.
func (r *ring) hold(most int) {
	if r != nil {
		r.most = most
	}
}

// like gives the chunks that one is alike, those that share most first. What it sampled, keep uses.
func (r *ring) like(chunk []byte) []basis {
	r.anchors = r.sampler.Append(r.anchors[:0], chunk, ownAnchors)
	r.votes = r.votes[:0]
	for _, a := range r.anchors {
		at, ok := r.of[a]
		if !ok {
			continue
		}
		if i := slices.IndexFunc(r.votes, func(v vote) bool { return v.spot == at }); i >= 0 {
			r.votes[i].hits++
		} else {
			r.votes = append(r.votes, vote{at, 1})
		}
	}
	slices.SortStableFunc(r.votes, func(a, b vote) int { return b.hits - a.hits })
	hits := 0
	for _, v := range r.votes {
		hits += v.hits
	}
	if hits < max(leastHits, len(r.anchors)/20) {
		return nil
	}
	r.found = r.found[:0]
	for _, v := range bestOf(r.votes) {
		id := crypt.Identity(v.in.ids[v.n*len(crypt.Identity{}):])
		r.found = append(r.found, basis{data: v.in.chunk(v.n), id: id, whole: len(v.in.raw), frame: v.in.number, n: uint32(v.n)})
	}
	return r.found
}

// bestOf gives the first of the votes, of no more frames than one chunk may stand on beside what stood in its place. They
// come in the order of the chunks: neighbours are one base.
func bestOf(votes []vote) []vote {
	var frames []*held
	best := votes[:0]
	for _, v := range votes {
		switch {
		case len(best) == mostBases:
		case slices.Contains(frames, v.in):
			best = append(best, v)
		case len(frames) < format.MaxBaseFrames-1:
			best, frames = append(best, v), append(frames, v.in)
		}
	}
	slices.SortFunc(best, func(a, b vote) int { return cmp.Or(a.in.number-b.in.number, a.n-b.n) })
	return best
}

// keep holds the chunk that like was asked about last, as the next one of a frame that stands alone.
func (r *ring) keep(frame int, chunk []byte, id crypt.Identity) {
	last := len(r.frames) - 1
	if last < 0 || r.frames[last].number != frame {
		r.drop(r.most - format.DeltaTarget)
		h := new(held)
		if n := len(r.free); n > 0 {
			h, r.free = r.free[n-1], r.free[:n-1]
		}
		*h = held{number: frame, raw: h.raw[:0], lengths: h.lengths[:0], ids: h.ids[:0], anchors: h.anchors[:0]}
		r.frames = append(r.frames, h)
		r.bytes += cap(h.raw)
		last = len(r.frames) - 1
	}
	h := r.frames[last]
	if need := len(h.raw) + len(chunk); need > cap(h.raw) {
		r.bytes -= cap(h.raw)
		h.raw = append(room(nil, need, format.DeltaTarget), h.raw...)
		r.bytes += cap(h.raw)
	}
	for _, a := range r.anchors {
		r.of[a] = spot{h, len(h.lengths)}
	}
	h.raw, h.lengths = append(h.raw, chunk...), append(h.lengths, uint32(len(chunk)))
	h.ids, h.anchors = append(h.ids, id[:]...), append(h.anchors, r.anchors...)
}

// drop lets the oldest frames go until no more than so many bytes are left.
func (r *ring) drop(most int) {
	for len(r.frames) > 0 && r.bytes > most {
		h := r.frames[0]
		r.frames = r.frames[1:]
		r.bytes -= cap(h.raw)
		for _, a := range h.anchors {
			if r.of[a].in == h {
				delete(r.of, a)
			}
		}
		if cap(h.raw) <= format.DeltaTarget && len(r.free) == 0 {
			r.free = append(r.free, h)
		}
	}
}

// mayKeep tells whether a frame with a chunk of that length may be a base.
func mayKeep(n int) bool { return n <= format.DeltaTarget }

// placed is a base of a frame: consecutive chunks of one.
type placed struct {
	basis
	count uint32
}

// takesBases tells whether there is room for further bases.
func (f *frame) takesBases(more []basis) bool {
	frames, bytes := f.baseFrames, len(f.base)
	for i := range more {
		b := &more[i]
		bytes += len(b.data)
		if !f.standsOn(b) && !slices.ContainsFunc(more[:i], func(o basis) bool { return o.sameFrame(b) }) {
			frames++
		}
	}
	return frames <= format.MaxBaseFrames && len(f.bases)+len(more) <= format.MaxBases && (bytes <= mostBase || len(f.base) == 0)
}

// standsOn tells whether the frame of a chunk is a base.
func (f *frame) standsOn(b *basis) bool {
	return slices.ContainsFunc(f.bases, func(p placed) bool { return p.sameFrame(b) })
}

// addBases appends bases to those that the frame has, with their bytes: what is held may go before it is compressed. It calls
// stand for one of each frame that is a further base.
func (f *frame) addBases(more []basis, stand func(*basis)) {
	for i := range more {
		b := &more[i]
		if slices.ContainsFunc(f.bases, func(p placed) bool { return p.sameFrame(b) && p.n <= b.n && b.n < p.n+p.count }) {
			continue
		}
		if !f.standsOn(b) {
			f.baseFrames++
			stand(b)
		}
		f.depth = max(f.depth, b.depth+1)
		f.base = append(f.base, b.data...)
		f.baseLengths = append(f.baseLengths, uint32(len(b.data)))
		f.baseIDs = append(f.baseIDs, b.id[:]...)
		if last := len(f.bases) - 1; last >= 0 && f.bases[last].sameFrame(b) && f.bases[last].n+f.bases[last].count == b.n {
			f.bases[last].count++
			continue
		}
		f.bases = append(f.bases, placed{*b, 1})
		f.bases[len(f.bases)-1].data = nil
	}
}
