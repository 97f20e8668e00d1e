package intake

import (
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// Stood is a chunk that others stood on: one of a slab by its number, or, where that is moved as well, by its identity.
type Stood struct {
	Slab  format.SlabID
	Chunk uint32
	ID    crypt.Identity // zero: it is told by its place
}

// StandOn says on what stood before whatever is put from here on, to any stream: it is said by that again, as far as it can be read,
// where nothing else is more like it. It is of use with DeltasOn.
func (in *Intake) StandOn(on []Stood) error {
	if !in.saysByOld() {
		return nil
	}
	if err := in.room(); err != nil {
		return err
	}
	in.current.pieces = append(in.current.pieces, piece{stood: &stood{on: on}})
	return nil
}

// stood finds out which of the chunks that a frame stood on a chunk is like.
type stood struct {
	*olds
	on []Stood

	begun  bool
	bases  []basis
	of     map[uint64][]int // by anchor: which of bases have it
	size   int              // of bases, in bytes
	frames map[place]bool   // that were read

	anchors []uint64
	shared  [][]uint64 // by number of a base: anchors that it shares with a chunk and that none has that was chosen before, in order
}

// Bounds of what is read for a frame, in bytes and frames: some times what one may stand on, as in the place of what has gone come
// several.
const (
	mostStood       = 2 * mostBase
	mostStoodFrames = 4 * format.MaxBaseFrames
)

// begin reads the chunks; in the place of one that is as deep as may be, what that stands on.
func (t *stood) begin() {
	t.begun, t.of, t.frames = true, make(map[uint64][]int), make(map[place]bool)
	for _, s := range t.on {
		slab, n, ok := t.locate(s)
		if !ok {
			continue
		}
		old, ok := t.take(slab, n)
		if !ok || old.Held.Depth < format.MaxDepth {
			continue
		}
		for _, b := range beneath(old.Held.Bases, int(n-old.First), len(old.Held.Chunks)) {
			t.take(b.Slab, b.First)
		}
	}
	t.shared = make([][]uint64, len(t.bases))
}

// take reads a chunk, and adds it unless it is there, or as deep as may be.
func (t *stood) take(slab format.SlabID, n uint32) (old Old, ok bool) {
	if t.size > mostStood || len(t.frames) >= mostStoodFrames {
		return old, false
	}
	if old, ok = t.read(slab, n); !ok {
		t.size += format.DeltaTarget // what fails may take as long each time
		return old, false
	}
	t.frames[place{slab, old.Frame}] = true
	if b := old.basis(slab, n); b.depth < format.MaxDepth && !slices.ContainsFunc(t.bases, func(o basis) bool { return o.slab == slab && o.n == n }) {
		t.size += len(old.Data)
		t.add(b)
	}
	return old, true
}

// place is a frame of a slab.
type place struct {
	slab  format.SlabID
	frame int
}

// locate says where a chunk lies, if it can be read there.
func (t *stood) locate(s Stood) (format.SlabID, uint32, bool) {
	if s.ID == (crypt.Identity{}) {
		return s.Slab, s.Chunk, true
	}
	x := t.in.cfg.Index
	r, ok := x.Lookup(s.ID)
	if !ok || !x.CanFind(r) {
		return s.Slab, 0, false
	}
	slab, n := x.Locate(r)
	return slab, n, true
}

func (t *stood) add(b basis) {
	t.anchors = t.sampler.Append(t.anchors[:0], b.data, oldAnchors)
	slices.Sort(t.anchors)
	for _, a := range slices.Compact(t.anchors) {
		t.of[a] = append(t.of[a], len(t.bases))
	}
	t.bases = append(t.bases, b)
}

// like gives those that a chunk is like, in their order: the one that shares most of its anchors, then the one that shares most
// of the others, and so on.
func (t *stood) like(chunk []byte) (l likes) {
	if t == nil || len(t.on) == 0 {
		return l
	}
	if !t.begun {
		t.begin()
	}
	t.share(chunk)
	var chosen []int
	for n := t.most(); n >= 0 && len(chosen) < mostBases; n = t.most() {
		chosen, l.hits = append(chosen, n), l.hits+len(t.shared[n])
		t.choose(n)
	}
	l.most = len(t.anchors)
	if l.hits < max(1, l.most/20) {
		return likes{}
	}
	slices.Sort(chosen)
	for _, n := range chosen {
		l.bases = append(l.bases, t.bases[n])
	}
	return l
}

// share notes which bases share the anchors of a chunk.
func (t *stood) share(chunk []byte) {
	t.anchors = t.sampler.Append(t.anchors[:0], chunk, oldAnchors)
	slices.Sort(t.anchors)
	t.anchors = slices.Compact(t.anchors)
	for n := range t.shared {
		t.shared[n] = t.shared[n][:0]
	}
	for _, a := range t.anchors {
		for _, n := range t.of[a] {
			t.shared[n] = append(t.shared[n], a)
		}
	}
}

// most gives the base that shares most, or -1 where none shares anything.
func (t *stood) most() int {
	best, most := -1, 0
	for n, shared := range t.shared {
		if len(shared) > most {
			best, most = n, len(shared)
		}
	}
	return best
}

// choose takes the anchors that a base shares out of what others do.
func (t *stood) choose(n int) {
	taken := t.shared[n]
	t.shared[n] = nil
	for i := range t.shared {
		t.shared[i] = slices.DeleteFunc(t.shared[i], func(a uint64) bool {
			_, is := slices.BinarySearch(taken, a)
			return is
		})
	}
}
