package intake

import (
	"context"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

// More is what is known beside an Index.
type More struct {
	Index  *known.Index
	Joined []*format.SlabRecord // as of Config
	Crowds *Crowds              // of what Config.Crowds does not count; nil: nothing
}

// Lacked gives how many bytes of chunks were taken in so far that were not known. It is asked after Settle.
func (in *Intake) Lacked() int64 { return in.lacked }

// learn asks what else is known. No stage but the one that calls it uses what it changes.
func (in *Intake) learn(ctx context.Context) (err error) {
	if in.more != nil || in.cfg.More == nil {
		return nil
	}
	if in.more, err = in.cfg.More(ctx); err == nil && in.more.Crowds != nil {
		in.cfg.Crowds.Add(in.more.Crowds)
	}
	return err
}

// indexes gives what is known, by chunks.
func (in *Intake) indexes() []*known.Index {
	if in.more == nil {
		return []*known.Index{in.cfg.Index}
	}
	return []*known.Index{in.cfg.Index, in.more.Index}
}

// HasDeltas tells whether a slab that the index knows, or that the session wrote, has frames that stand on others. It is
// asked after Close.
func (in *Intake) HasDeltas(slab format.SlabID) bool {
	_, wrote := in.writer.stands[slab]
	return wrote || slices.ContainsFunc(in.indexes(), func(x *known.Index) bool { return x.HasDeltas(slab) })
}

// AnyDeltas tells whether any such slab has. It is asked after Close.
func (in *Intake) AnyDeltas() bool {
	return len(in.writer.stands) > 0 || slices.ContainsFunc(in.indexes(), (*known.Index).AnyDeltas)
}

// Bases gives the slabs that one stands on which the index knows, or which the session wrote. It is asked after Close.
func (in *Intake) Bases(slab format.SlabID) []format.SlabID {
	all := in.writer.stands[slab]
	for _, x := range in.indexes() {
		all = slices.Concat(all, x.Bases(slab))
	}
	return all
}
