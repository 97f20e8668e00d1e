// Package known is the index of the chunks that a repository holds: from a
// chunk's identity to the slab and the number where it lies.
package known

import (
	"errors"
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
	x.stand(slab, frames)
	for i := range frames {
		if frames[i].Padding {
			break // behind all others
		}
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
