package known

import (
	"bytes"
	"container/list"
	"encoding/binary"
	"errors"
	"fmt"
	"sync"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// far is what an index keeps above its bound.
type far struct {
	samples
	reload Reload

	mu     sync.Mutex
	hidden map[int]bool          // numbers of slabs of which nothing is found
	loaded map[int]*list.Element // by number; values are *loadedSlab
	used   *list.List            // those, what was used last first
	places map[uint64]Ref        // of chunks that are loaded, by the end of the identity
	chunks int                   // that are loaded
	mostIn int                   // as many as may be
}

// loadedSlab is a slab that was read again.
type loadedSlab struct {
	number int
	first  Ref
	ids    []byte
	sizes  []size
}

func (s *loadedSlab) id(chunk int) crypt.Identity {
	return crypt.Identity(s.ids[chunk*len(crypt.Identity{}):])
}

func newFar(b bound) *far {
	return &far{
		samples: newSamples(b.memory), reload: b.reload, hidden: make(map[int]bool), loaded: make(map[int]*list.Element),
		used: list.New(), places: make(map[uint64]Ref), mostIn: int(max(1, b.memory/loadedMemory)),
	}
}

// take adds a sample. Where nobody is to find a chunk of a slab, nothing of that slab is found: that one chunk is to be
// passed over would have to be kept for each.
func (f *far) take(id crypt.Identity, number int, chunks uint32) {
	if id == (crypt.Identity{}) {
		f.hidden[number] = true
		return
	}
	f.add(id, number, chunks)
}

func (f *far) isHidden(number int) bool {
	if f == nil {
		return false
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.hidden[number]
}

func (f *far) hide(number int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.hidden[number] = true
	f.unload(number)
}

func placeKey(id crypt.Identity) uint64 { return binary.LittleEndian.Uint64(id[8:]) }

// unload needs f.mu to be held, as all that follows.
func (f *far) unload(number int) {
	e, ok := f.loaded[number]
	if !ok {
		return
	}
	s := f.used.Remove(e).(*loadedSlab)
	delete(f.loaded, number)
	f.chunks -= len(s.sizes)
	for i := range s.sizes {
		if key := placeKey(s.id(i)); f.places[key] == s.first+Ref(i) {
			delete(f.places, key)
		}
	}
}

// place notes where a chunk is found: of equal ones the first, as far as they are loaded.
func (f *far) place(id crypt.Identity, r Ref) {
	if at, ok := f.places[placeKey(id)]; !ok || r < at {
		f.places[placeKey(id)] = r
	}
}

// keep takes in a slab that was read again, and lets others go.
func (f *far) keep(s *loadedSlab) {
	f.loaded[s.number] = f.used.PushFront(s)
	f.chunks += len(s.sizes)
	for i := range s.sizes {
		f.place(s.id(i), s.first+Ref(i))
	}
	for f.chunks > f.mostIn && f.used.Len() > 1 {
		f.unload(f.used.Back().Value.(*loadedSlab).number)
	}
}

// get gives a slab that is loaded.
func (f *far) get(number int) *loadedSlab {
	e, ok := f.loaded[number]
	if !ok {
		return nil
	}
	f.used.MoveToFront(e)
	return e.Value.(*loadedSlab)
}

var errOther = errors.New("what tables say of it is not what they said before")

// newLoaded makes a slab of what was said of it again, which must be as long as before.
func (x *Index) newLoaded(number int, rec *format.SlabRecord) (*loadedSlab, error) {
	n := int(x.chunks(number))
	s := &loadedSlab{number: number, first: x.slabs[number].first, ids: make([]byte, 0, n*len(crypt.Identity{})), sizes: make([]size, 0, n)}
	for i := range rec.Frames {
		if rec.Frames[i].Padding {
			break
		}
		s.ids = append(s.ids, rec.Frames[i].IDs...)
		for _, length := range rec.Frames[i].Chunks {
			s.sizes = append(s.sizes, newSize(length))
		}
	}
	if len(s.sizes) != n {
		return nil, errOther
	}
	return s, nil
}

// load reads a slab again, and keeps, of those that come behind it in what was read, as many as are wanted (nil: all),
// up to so many chunks.
func (x *Index) load(number int, wanted map[format.SlabID]bool, most int) (*loadedSlab, error) {
	records, err := x.far.reload(number, x.slabs[number].slab)
	if err != nil {
		return nil, err
	}
	said := make(map[format.SlabID]*format.SlabRecord, len(records))
	for _, rec := range records {
		if said[rec.Slab] == nil {
			said[rec.Slab] = rec
		}
	}
	rec := said[x.slabs[number].slab]
	if rec == nil {
		return nil, errOther
	}
	s, err := x.newLoaded(number, rec)
	if err != nil {
		return nil, err
	}
	x.loadBehind(number, wanted, most-len(s.sizes), said)
	x.far.unload(number)
	x.far.keep(s) // last, so that it is not what goes
	return s, nil
}

func (x *Index) loadBehind(number int, wanted map[format.SlabID]bool, most int, said map[format.SlabID]*format.SlabRecord) {
	for i := number + 1; i < len(x.slabs) && most > 0; i++ {
		slab := x.slabs[i].slab
		rec := said[slab]
		if rec == nil {
			return
		}
		if wanted != nil && !wanted[slab] || x.far.hidden[i] || x.far.loaded[i] != nil {
			continue
		}
		s, err := x.newLoaded(i, rec)
		if err != nil {
			return
		}
		most -= len(s.sizes)
		x.far.keep(s)
	}
}

// Load reads slabs again before they are looked for, in the order in which they were added, as many as may be loaded.
// It does nothing where all is kept, and what can't be read is left out.
func (x *Index) Load(slabs map[format.SlabID]bool) {
	f := x.far
	if f == nil {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	for i, s := range x.slabs {
		room := f.mostIn - f.chunks
		if slabs[s.slab] && f.loaded[i] == nil && !f.hidden[i] && int(x.chunks(i)) <= room {
			x.load(i, slabs, room) // if it fails, so does whoever needs it
		}
	}
}

// Near loads the slab of a chunk that AddSlab added, as it or what lies about it is likely to be looked up soon. It does
// nothing where all is kept.
func (x *Index) Near(r Ref) {
	f := x.far
	if f == nil || r >= x.paged {
		return
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if number := x.slabOf(r); f.get(number) == nil && !f.hidden[number] {
		x.load(number, nil, f.mostIn/loadedAtOnce) // if it fails, so does whoever needs it
	}
}

// lookFar finds a chunk that AddSlab added.
func (x *Index) lookFar(id crypt.Identity) (Ref, bool) {
	f := x.far
	f.mu.Lock()
	defer f.mu.Unlock()
	if id == (crypt.Identity{}) {
		return 0, false
	}
	for {
		r, ok := x.findLoaded(id)
		if !ok {
			r, ok = x.findSampled(id)
		}
		if !ok {
			return 0, false
		}
		number := x.slabOf(r)
		if x.isThere(number) {
			x.lookAhead(number, r)
			return r, true
		}
		f.hidden[number] = true // its equal may be elsewhere
		f.unload(number)
	}
}

// lookAhead loads the slab behind one of which a chunk near the end is met: what follows it would be missed until a
// sample comes.
func (x *Index) lookAhead(number int, r Ref) {
	f, n, next := x.far, x.chunks(number), number+1
	if next == len(x.slabs) || uint32(r-x.slabs[number].first) < n-n/nearEnd-1 ||
		f.hidden[next] || f.loaded[next] != nil || int(n+x.chunks(next)) > f.mostIn {
		return
	}
	if _, err := x.load(next, nil, f.mostIn/loadedAtOnce); err != nil {
		f.hidden[next] = true
	}
}

func (x *Index) findLoaded(id crypt.Identity) (Ref, bool) {
	r, ok := x.far.places[placeKey(id)]
	if !ok {
		return 0, false
	}
	s := x.far.get(x.slabOf(r))
	return r, s.id(int(r-s.first)) == id
}

// findSampled goes through the slabs that have a sample like that.
func (x *Index) findSampled(id crypt.Identity) (Ref, bool) {
	f := x.far
	check := newSample(0, id).check()
	for _, n := range f.buckets[bucketOf(id)] {
		number := n.number()
		if n.check() != check || f.hidden[number] {
			continue
		}
		s := f.get(number)
		if s == nil {
			var err error
			if s, err = x.load(number, nil, f.mostIn/loadedAtOnce); err != nil {
				f.hidden[number] = true // it can't be told again
				continue
			}
		}
		if chunk, ok := s.find(id); ok {
			r := s.first + Ref(chunk)
			f.place(id, r)
			return r, true
		}
	}
	return 0, false
}

// find goes through the chunks of a slab.
func (s *loadedSlab) find(id crypt.Identity) (int, bool) {
	for at := 0; at < len(s.ids); at += len(id) {
		if bytes.Equal(s.ids[at:at+len(id)], id[:]) {
			return at / len(id), true
		}
	}
	return 0, false
}

// readFar reads again what a chunk is that AddSlab added.
func (x *Index) readFar(r Ref) (id crypt.Identity, length int, err error) {
	f := x.far
	f.mu.Lock()
	defer f.mu.Unlock()
	number := x.slabOf(r)
	s := f.get(number)
	if s == nil {
		if s, err = x.load(number, nil, f.mostIn/loadedAtOnce); err != nil {
			return id, 0, fmt.Errorf("reading again what is known of slab %v: %w", x.slabs[number].slab, err)
		}
	}
	chunk := int(r - s.first)
	return s.id(chunk), s.sizes[chunk].length(), nil
}
