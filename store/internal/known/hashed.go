package known

import (
	"encoding/binary"

	"github.com/kistarchive/kist/crypt"
)

// lookUp finds a chunk in the hash table.
func (x *Index) lookUp(id crypt.Identity) (Ref, bool) {
	x.hash()
	for i := x.home(id); ; i++ {
		if i == len(x.slots) {
			i = 0
		}
		s := x.slots[i]
		if s == 0 {
			return 0, false
		}
		if x.at(Ref(s-1)) == id {
			return Ref(s - 1), true
		}
	}
}

// hash makes the hash table of what AddSlab added, two thirds full: not while slabs
// are added, so that it need not grow.
func (x *Index) hash() {
	if x.slots != nil {
		return
	}
	x.slots, x.used = make([]uint32, max(1<<10, (x.count-int(x.paged))/2*3)), 0
	for i, s := range x.slabs {
		for r := s.first; r < s.first+Ref(x.chunks(i)) && x.far == nil && !x.gone[i]; r++ {
			x.insert(x.at(r), r)
		}
	}
	for r := x.fresh; r < Ref(x.count); r++ {
		x.insert(x.at(r), r)
	}
}

// insert makes id found. Of equal identities the first is.
func (x *Index) insert(id crypt.Identity, r Ref) {
	for i := x.home(id); ; i++ {
		if i == len(x.slots) {
			i = 0
		}
		s := x.slots[i]
		if s == 0 {
			x.slots[i] = uint32(r) + 1
			x.used++
			return
		}
		if x.at(Ref(s-1)) == id {
			return
		}
	}
}

// grow makes the table half as large again: a doubling would leave it too
// empty for the bound on memory.
func (x *Index) grow() {
	old := x.slots
	x.slots = make([]uint32, len(old)/2*3)
	x.used = 0
	for _, s := range old {
		if s != 0 {
			x.insert(x.at(Ref(s-1)), Ref(s-1))
		}
	}
}

// home maps an identity, which is uniform, to a slot: the high half of the
// product needs no power of two (Lemire 2016, "A fast alternative to the
// modulo reduction").
func (x *Index) home(id crypt.Identity) int {
	h := binary.LittleEndian.Uint32(id[:])
	return int(uint64(h) * uint64(len(x.slots)) >> 32)
}
