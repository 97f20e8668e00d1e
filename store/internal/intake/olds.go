package intake

import (
	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/delta"
	"github.com/kistarchive/kist/store/internal/format"
)

// olds reads what was there before.
type olds struct {
	in      *Intake
	sampler *delta.Sampler
	hasher  *crypt.Hasher
}

// read reads a chunk that may be relied on, and that is what the index says. What can't be read is none.
func (o *olds) read(slab format.SlabID, n uint32) (old Old, ok bool) {
	x := o.in.cfg.Index
	r, ok := x.FindBeside(slab, n)
	if !ok {
		return old, false
	}
	old, err := o.in.cfg.Old(o.in.ctx, slab, n)
	if err != nil || old.Held.Raw() > format.MaxBaseRaw {
		return old, false
	}
	old.id = o.hasher.Sum(old.Data)
	return old, old.id == x.ID(r)
}

// basis is the chunk of that number in a slab as one that others may be said by.
func (o *Old) basis(slab format.SlabID, n uint32) basis {
	return basis{data: o.Data, id: o.id, depth: o.Held.Depth, whole: o.Held.Raw(), frame: -1, slab: slab, of: o.Frame, n: n, below: o.Held.Bases}
}
