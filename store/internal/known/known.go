// Package known is the index of the chunks that a repository holds: from a
// chunk's identity to the slab and the number where it lies.
package known

import (
	"errors"
	"iter"
	"maps"
	"slices"
	"sort"
	"sync/atomic"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// Ref stands for a chunk in an Index.
type Ref uint32

// MaxChunks is the most chunks that an Index takes: 64 TiB of data at the
// default chunk size.
const MaxChunks = 1<<32 - 2

// ErrFull is returned when an Index would hold more than MaxChunks chunks.
var ErrFull = errors.New("the repository holds more chunks than can be indexed: choose a larger average chunk size for a new repository")

const pageBits = 14

// Index takes at most 27 bytes of memory a chunk, or no more than Bound says and some 75 for each slab, and 100 more for one that stands on another one. The 27 are 16 for the identity, a slot of 4
// in a hash table that has at most twice as many once it has grown, and 3 for the
// length of those that AddSlab added or 8 for the place of those that Add added.
// Besides, the last page of identities and lengths, of 304 KiB, may be empty.
// Where a chunk lies follows from its position among the identities.
//
// It is not safe for concurrent use.
type Index struct {
	pages    [][]crypt.Identity // identities in the order of their Refs
	sizes    [][]size           // lengths of the chunks that AddSlab added, likewise
	count    int
	slots    []uint32 // Ref+1, or 0; open addressing with linear probing; made on first use
	used     int
	slabs    []slabSpan                        // slabs added by AddSlab, in order of first
	bySlab   map[format.SlabID]int             // places in slabs; made on first use
	found    int                               // the place in slabs that Find gave last
	ask      func(format.SlabID) bool          // see Ask; nil: all slabs are there
	sure     []atomic.Uint32                   // by place in slabs, what ask said
	gone     map[int]bool                      // places in slabs that Lookup found not to be there
	lookedUp int                               // the place in slabs of what Lookup found last
	blank    map[Ref]bool                      // chunks of those that are not to be found
	standing map[format.SlabID][]format.SlabID // of those that have deltas, the slabs that these stand on
	fresh    Ref                               // Refs from here on were added by Add
	paged    Ref                               // pages are of the Refs from here on: 0, or fresh where samples are kept
	bound    bound
	far      *far // samples of what AddSlab added; nil: pages have all of it
	frames   []framePlace
	places   []place                  // of the Refs from fresh on
	others   []format.SlabID          // slabs of AddElsewhere
	otherNos map[format.SlabID]uint32 // places in others
	added    map[format.SlabID][]Ref  // see FindAdded: the chunks of slabs that PlaceFrame named, by their numbers; noRef: not known
	findable int                      // how many of places added has
	settled  []framePlace             // the frames of those
}

// noRef is above all Refs.
const noRef Ref = MaxChunks + 1

// Find gives the chunk of that number in a slab that AddSlab added. Unlike the
// other methods it may be called beside Add, by one goroutine.
func (x *Index) Find(slab format.SlabID, chunk uint32) (Ref, bool) {
	x.number()
	i := x.found // mostly the same slab again
	if i >= len(x.slabs) || x.slabs[i].slab != slab {
		var ok bool
		if i, ok = x.bySlab[slab]; !ok {
			return x.addedChunk(slab, chunk)
		}
		x.found = i
	}
	return x.chunkOf(i, chunk)
}

// number makes bySlab.
func (x *Index) number() {
	if x.bySlab != nil {
		return
	}
	x.bySlab = make(map[format.SlabID]int, len(x.slabs))
	for i, s := range x.slabs {
		x.bySlab[s.slab] = i
	}
}

// FindBeside is Find for another goroutine beside that of Find, which was called before.
func (x *Index) FindBeside(slab format.SlabID, chunk uint32) (Ref, bool) {
	i, ok := x.bySlab[slab]
	if !ok {
		return x.addedChunk(slab, chunk)
	}
	return x.chunkOf(i, chunk)
}

// chunkOf gives a chunk of the slab at a place in slabs.
func (x *Index) chunkOf(i int, chunk uint32) (Ref, bool) {
	r := x.slabs[i].first + Ref(chunk)
	return r, chunk < x.chunks(i) && !x.blank[r] && !x.far.isHidden(i) && x.isThere(i)
}

// chunks gives how many chunks the slab at a place in slabs has.
func (x *Index) chunks(i int) uint32 {
	end := x.fresh
	if i+1 < len(x.slabs) {
		end = x.slabs[i+1].first
	}
	return uint32(end - x.slabs[i].first)
}

// Ask has Find and Lookup ask about a slab that AddSlab added before they give a chunk of it
// for the first time: one that is not there has none. It comes behind the last AddSlab.
// Several goroutines may call there at a time.
func (x *Index) Ask(there func(format.SlabID) bool) {
	x.ask, x.sure, x.gone = there, make([]atomic.Uint32, len(x.slabs)), make(map[int]bool)
}

// What was said of a slab.
const (
	notAsked = iota
	isThere
	isNotThere
)

// isThere tells whether the slab at a place in slabs is there.
func (x *Index) isThere(i int) bool {
	if x.ask == nil {
		return true
	}
	said := x.sure[i].Load()
	if said == notAsked {
		said = isNotThere
		if x.ask(x.slabs[i].slab) {
			said = isThere
		}
		x.sure[i].Store(said)
	}
	return said == isThere
}

// span gives the place in slabs of a chunk that AddSlab added.
func (x *Index) span(r Ref) int {
	i := x.lookedUp // mostly the same slab again
	if x.slabs[i].first <= r && (i+1 == len(x.slabs) || r < x.slabs[i+1].first) {
		return i
	}
	x.lookedUp = x.slabOf(r)
	return x.lookedUp
}

// slabOf is span for any goroutine.
func (x *Index) slabOf(r Ref) int {
	return sort.Search(len(x.slabs), func(i int) bool { return x.slabs[i].first > r }) - 1
}

// Slabs gives the slabs that AddSlab added, each with its first chunk.
func (x *Index) Slabs() iter.Seq2[format.SlabID, Ref] {
	return func(yield func(format.SlabID, Ref) bool) {
		for _, s := range x.slabs {
			if !yield(s.slab, s.first) {
				return
			}
		}
	}
}

type slabSpan struct {
	first Ref
	slab  format.SlabID
}

// size is the length of a chunk, which format.MaxChunk bounds, less one: 3 bytes,
// little-endian.
type size [3]byte

func newSize(length uint32) size {
	n := length - 1
	return size{byte(n), byte(n >> 8), byte(n >> 16)}
}

func (s size) length() int { return int(s[0]) + int(s[1])<<8 + int(s[2])<<16 + 1 }

// New gives an empty index.
func New() *Index {
	return &Index{blank: make(map[Ref]bool), standing: make(map[format.SlabID][]format.SlabID)}
}

// HasDeltas tells whether a slab that AddSlab added has frames that stand on others.
func (x *Index) HasDeltas(slab format.SlabID) bool {
	_, ok := x.standing[slab]
	return ok
}

// Bases gives the slabs that one stands on, of those frames whose chunks are found.
func (x *Index) Bases(slab format.SlabID) []format.SlabID { return x.standing[slab] }

// Standing gives the slabs that have frames which stand on others, each with those.
func (x *Index) Standing() iter.Seq2[format.SlabID, []format.SlabID] { return maps.All(x.standing) }

// AnyDeltas tells whether any such slab has.
func (x *Index) AnyDeltas() bool { return len(x.standing) > 0 }

// Len gives the number of chunks.
func (x *Index) Len() int { return x.count }

// AddSlab adds the chunks of a slab, in the order in which they lie there. One
// whose identity is zero is never found, and padding is not added.
// All slabs are added before the first call of Add.
func (x *Index) AddSlab(slab format.SlabID, frames []format.TableFrame) error {
	x.slabs = append(x.slabs, slabSpan{Ref(x.count), slab})
	x.bySlab, x.slots = nil, nil
	if x.far != nil {
		return x.addFar(slab, frames)
	}
	for i := range frames {
		if frames[i].Padding {
			break // behind all others
		}
		x.stand(slab, &frames[i])
		for c, length := range frames[i].Chunks {
			id := frames[i].ID(c)
			r, err := x.append(id)
			if err != nil {
				return err
			}
			if id == (crypt.Identity{}) {
				x.blank[r] = true
			}
			x.setLength(r, length)
		}
	}
	x.fresh = Ref(x.count)
	if x.bound.passed(x.count) {
		x.beginSampling()
	}
	return nil
}

// stand notes what a frame stands on.
func (x *Index) stand(slab format.SlabID, f *format.TableFrame) {
	if len(f.Bases) == 0 {
		return
	}
	bases := x.standing[slab]
	for _, b := range f.Bases {
		if b.Slab != slab && f.ID(0) != (crypt.Identity{}) && !slices.Contains(bases, b.Slab) {
			bases = append(bases, b.Slab)
		}
	}
	x.standing[slab] = bases
}

// Forget lets the chunks of some slabs not be found any more. It comes before the first call of
// Add, Find and Lookup.
func (x *Index) Forget(slabs ...format.SlabID) {
	if len(slabs) == 0 {
		return
	}
	which := make(map[format.SlabID]bool, len(slabs))
	for _, id := range slabs {
		which[id] = true
	}
	for i, s := range x.slabs {
		switch {
		case !which[s.slab]:
		case x.far != nil:
			x.far.hide(i)
		default:
			for r := s.first; r < s.first+Ref(x.chunks(i)); r++ {
				x.pages[r>>pageBits][r&(1<<pageBits-1)] = crypt.Identity{}
				x.blank[r] = true
			}
		}
	}
	x.slots = nil
}

// Lookup finds a chunk by its identity. Above its bound the index may miss one that is there.
func (x *Index) Lookup(id crypt.Identity) (Ref, bool) {
	if x.far != nil {
		if r, ok := x.lookUp(id); ok {
			return r, true
		}
		return x.lookFar(id)
	}
	for {
		r, ok := x.lookUp(id)
		if !ok || x.ask == nil || r >= x.fresh {
			return r, ok
		}
		i := x.span(r)
		if x.isThere(i) {
			return r, true
		}
		x.gone[i], x.slots = true, nil // its equal may be elsewhere
	}
}

// Locate says where a chunk lies: in which slab, and its number there. A chunk
// from Add must have been placed.
func (x *Index) Locate(r Ref) (format.SlabID, uint32) {
	slab, chunk, _ := x.LocateMany(r, 1)
	return slab, chunk
}

// LocateMany is Locate for the n chunks from r on. It says how many of them, one at
// least, follow each other in that slab.
func (x *Index) LocateMany(r Ref, n uint32) (format.SlabID, uint32, uint32) {
	if r >= x.fresh {
		p, frames := x.places[r-x.fresh], x.settled
		if p.frame&elsewhere != 0 {
			return x.others[p.frame&^elsewhere], p.chunk, 1
		}
		if int(r-x.fresh) >= x.findable {
			frames = x.frames // which may be growing
		}
		f := frames[p.frame]
		return f.slab, f.first + p.chunk, 1
	}
	i := x.slabOf(r)
	at := uint32(r - x.slabs[i].first)
	return x.slabs[i].slab, at, min(n, x.chunks(i)-at)
}

func (x *Index) setLength(r Ref, length uint32) {
	if r&(1<<pageBits-1) == 0 {
		x.sizes = append(x.sizes, make([]size, 0, 1<<pageBits))
	}
	last := &x.sizes[len(x.sizes)-1]
	*last = append(*last, newSize(length))
}

// Length gives the length, in bytes, of a chunk that AddSlab added; above the bound 0 where that can't be read again.
// Like Find it may be called beside Add.
func (x *Index) Length(r Ref) int {
	if x.far != nil {
		_, n, _ := x.readFar(r)
		return n
	}
	return x.sizes[r>>pageBits][r&(1<<pageBits-1)].length()
}

// ID gives the identity of a chunk; above the bound zero where that can't be read again.
func (x *Index) ID(r Ref) crypt.Identity {
	id, _ := x.Identity(r)
	return id
}

// Identity is ID, and says why it can't be read again.
func (x *Index) Identity(r Ref) (crypt.Identity, error) {
	if r < x.paged {
		id, _, err := x.readFar(r)
		return id, err
	}
	return x.at(r), nil
}

func (x *Index) at(r Ref) crypt.Identity {
	r -= x.paged
	return x.pages[r>>pageBits][r&(1<<pageBits-1)]
}

// append gives id the next Ref.
func (x *Index) append(id crypt.Identity) (Ref, error) {
	if x.count >= MaxChunks {
		return 0, ErrFull
	}
	r := Ref(x.count)
	if (r-x.paged)&(1<<pageBits-1) == 0 {
		x.pages = append(x.pages, make([]crypt.Identity, 0, 1<<pageBits))
	}
	last := &x.pages[len(x.pages)-1]
	*last = append(*last, id)
	x.count++
	return r, nil
}
