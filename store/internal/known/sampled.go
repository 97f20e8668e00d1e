package known

import (
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// Above its bound an index keeps samples of identities, each with the number of its slab. Where one is met again, all of
// that slab is read again, and of those that were listed behind it: what lay together once lies together again. So it was
// done in "Sparse Indexing" (Lillibridge et al., FAST 2009; from memory). What is loaded is bounded, too.

// DefaultMemory is the usual bound, in bytes: of 4 million chunks all is kept.
const DefaultMemory = 108_000_000

// Reload gives again what AddSlab was told of a slab, and of others that were listed with it, in that order. The
// number counts calls of AddSlab. Several goroutines call it, one at a time.
type Reload func(number int, slab format.SlabID) ([]*format.SlabRecord, error)

const (
	chunkMemory  = 27  // bytes of a chunk that is kept
	sampleMemory = 10  // of a sample: 6, room to grow, and a quarter of the bound for what is loaded
	loadedMemory = 200 // of a chunk that is loaded, of which no more than a quarter of the bound is: some 50

	// firstRate says which identities are sampled at first: one in 16. Where that becomes more than the bound allows,
	// every other sample goes, as often as need be: at 10 TiB in chunks of 16 KiB one in 64 is left.
	firstRate = 4
	leastRate = 24 // as many bits as a sample has of the identity
	// fewChunks is how many chunks a slab may have of which all are samples: it may have no other one. Measured on
	// captures of little: such slabs are many, and have few of all chunks.
	fewChunks = 256
	// loadedAtOnce is the part of what may be loaded that one look loads.
	loadedAtOnce = 8
	// nearEnd is the part of a slab from which on the next one is loaded: lists may lie behind contents.
	nearEnd = 16
)

// bound is what an index may take.
type bound struct {
	memory int64 // bytes; 0: whatever it takes
	reload Reload
}

// passed tells whether so many chunks are too many to be kept.
func (b *bound) passed(chunks int) bool { return b.memory > 0 && int64(chunks)*chunkMemory > b.memory }

// Bound has an index that is empty keep samples once all that AddSlab added would take more than so many bytes. What
// Add adds is kept, and not counted.
func (x *Index) Bound(memory int64, reload Reload) { x.bound = bound{memory, reload} }

// Fits tells whether all of so many chunks can be kept.
func (x *Index) Fits(chunks int) bool { return !x.bound.passed(chunks) }

// Memory gives how many bytes what AddSlab added takes, at the most.
func (x *Index) Memory() int64 {
	if x.far != nil {
		return x.bound.memory
	}
	return int64(x.fresh) * chunkMemory
}

// Sampled tells whether samples alone are kept.
func (x *Index) Sampled() bool { return x.far != nil }

// sample is the number of a slab, and of an identity there what tells it apart within its bucket: 3 bytes each, little-endian.
type sample [6]byte

func newSample(number int, id crypt.Identity) sample {
	return sample{byte(number), byte(number >> 8), byte(number >> 16), id[6], id[7], id[8]}
}

func (s sample) number() int { return int(s[0]) | int(s[1])<<8 | int(s[2])<<16 }

// check is what newSample took of the identity.
func (s sample) check() [3]byte { return [3]byte(s[3:]) }

// maxSampled is how many slabs can have samples: half a petabyte.
const maxSampled = 1 << 24

// samples are in 65,536 buckets by two bytes of the identity. A bucket is gone through for each identity that is looked
// up: at the usual bound that is a kilobyte.
type samples struct {
	buckets [][]sample
	count   int
	most    int
	rate    int // of identities, one in 1<<rate
	few     int // chunks of a slab that are all kept
}

func newSamples(memory int64) samples {
	return samples{buckets: make([][]sample, 1<<16), most: int(max(1, memory/sampleMemory)), rate: firstRate, few: fewChunks}
}

func bucketOf(id crypt.Identity) int { return int(id[4]) | int(id[5])<<8 }

// takes tells whether an identity is a sample, by its check and how many chunks its slab has.
func (s *samples) takes(check [3]byte, chunks uint32) bool {
	low := int(check[0]) | int(check[1])<<8 | int(check[2])<<16
	return low&(1<<s.rate-1) == 0 || int(chunks) <= s.few
}

// add adds an identity of a slab if it is a sample.
func (s *samples) add(id crypt.Identity, number int, chunks uint32) {
	n := newSample(number, id)
	if number >= maxSampled || !s.takes(n.check(), chunks) || s.rate == leastRate && s.count >= s.most {
		return // the last is so where somebody chose the identities
	}
	b := &s.buckets[bucketOf(id)]
	if len(*b) == cap(*b) { // append would leave up to half of it empty
		*b = append(make([]sample, 0, len(*b)+len(*b)/8+4), *b...)
	}
	*b = append(*b, n)
	s.count++
}

// thin lets samples go until there are no more than there may be.
func (s *samples) thin(chunks func(number int) uint32) {
	for s.count > s.most && s.rate < leastRate {
		s.rate++
		s.drop(chunks)
		if s.count > s.most/2 {
			s.few /= 2
			s.drop(chunks)
		}
	}
}

func (s *samples) drop(chunks func(number int) uint32) {
	s.count = 0
	for i, b := range s.buckets {
		left := slices.DeleteFunc(b, func(n sample) bool { return !s.takes(n.check(), chunks(n.number())) })
		s.buckets[i] = slices.Clip(slices.Clone(left))
		s.count += len(left)
	}
}

// beginSampling goes over from all chunks to samples.
func (x *Index) beginSampling() {
	x.far = newFar(x.bound)
	for i, s := range x.slabs {
		for r := s.first; r < s.first+Ref(x.chunks(i)); r++ {
			x.far.take(x.at(r), i, x.chunks(i))
		}
	}
	x.pages, x.sizes, x.blank, x.slots = nil, nil, make(map[Ref]bool), nil
	x.paged = x.fresh
	x.far.thin(x.chunks)
}

// addFar is AddSlab where samples are kept.
func (x *Index) addFar(slab format.SlabID, frames []format.TableFrame) error {
	number, n := len(x.slabs)-1, 0
	x.stand(slab, frames)
	for i := range frames {
		if frames[i].Padding {
			break
		}
		n += len(frames[i].Chunks)
	}
	if x.count+n > MaxChunks {
		x.slabs = x.slabs[:number]
		return ErrFull
	}
	x.count += n
	x.fresh, x.paged = Ref(x.count), Ref(x.count)
	for i := range frames {
		if frames[i].Padding {
			break
		}
		for c := range frames[i].Chunks {
			x.far.take(frames[i].ID(c), number, uint32(n))
		}
	}
	x.far.thin(x.chunks)
	return nil
}
