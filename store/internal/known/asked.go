package known

import (
	"sync/atomic"

	"github.com/kistarchive/kist/store/internal/format"
)

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
