package check

import (
	"context"
	"fmt"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// disputed are the chunks of a slab that a table says, or said, to be others than they
// are. Either the frame is wrong, as where a bit flipped before it was compressed, or the
// table is. Captures whose digests fit what was said are harmed, and the others are not.
type disputed struct {
	Said   map[uint32][]crypt.Identity
	Frames map[int]bool // that hold them; true where a table still says it
}

func (d *disputed) add(frame int, n uint32, id crypt.Identity, still bool) {
	if d.Said == nil {
		d.Said, d.Frames = make(map[uint32][]crypt.Identity), make(map[int]bool)
	}
	d.Frames[frame] = d.Frames[frame] || still
	if len(d.Said[n]) < stock.MostSaid && !slices.Contains(d.Said[n], id) {
		d.Said[n] = append(d.Said[n], id)
	}
}

// any tells whether a chunk of a run is disputed.
func (d *disputed) any(run format.Run) bool {
	for n := range run.Count {
		if len(d.Said[run.First+n]) > 0 {
			return true
		}
	}
	return false
}

// readRivals reads all tables once more, for what others say than those that were
// taken.
func (v *verifier) readRivals(ctx context.Context) error {
	if !v.o.Full {
		return nil
	}
	return v.r.stock.ReadTables(ctx, func(_ storage.Info, records []*format.SlabRecord, _ error) error {
		for _, rec := range records {
			s := v.Slabs[rec.Slab]
			if s != nil && s.record != nil && s.record.Length == rec.Length && !stock.SameRecord(s.record, rec) {
				s.rivals = append(s.rivals, rec)
			}
		}
		return nil
	})
}

// dispute compares a frame with what the tables say of it.
func (s *SlabState) dispute(slab *fetch.Slab, frame int, ids []crypt.Identity) {
	first := slab.FirstChunk(frame)
	records := s.rivals
	if s.record != nil {
		records = append([]*format.SlabRecord{s.record}, s.rivals...)
	}
	for _, rec := range records {
		if frame >= len(rec.Frames) || !slices.Equal(rec.Frames[frame].Chunks, slab.Frames[frame].Chunks) {
			continue
		}
		f := &rec.Frames[frame]
		for c, id := range ids {
			if f.ID(c) != id {
				s.Disputed.add(frame, first+uint32(c), f.ID(c), true)
			}
		}
		for c, id := range f.FormerIDs() {
			if ids[c] != id {
				s.Disputed.add(frame, first+uint32(c), id, false)
			}
		}
	}
}

// disputes begins a Damage for every frame that is disputed.
func (v *verifier) disputes(damages map[badPlace]*Damage) {
	for id, s := range v.Slabs {
		for frame := range s.Disputed.Frames {
			d := newDamage(names.Slab(id), fmt.Errorf("%w: frame %d holds other chunks than a table says: a machine that wrote here has broken memory, or somebody who holds a key wrote it so (repairing marks it; what it harms is healed by capturing with every file read again, and then repairing, on another machine)", format.ErrDamaged, frame))
			damages[badPlace{id, frame}] = &d
		}
	}
}

// settled tells whether a disputed frame is no damage any more: no table says it, and
// no capture relies on it.
func (v *verifier) settled(place badPlace, d *Damage) bool {
	s := v.Slabs[place.slab]
	still, inDispute := s.Disputed.Frames[place.frame]
	return inDispute && !still && s.Bad[place.frame] == nil && len(d.Captures) == 0
}

// harmKind says what is wrong with a stream that is not the one that was captured.
type harmKind int

const (
	Intact      harmKind = iota
	misled               // its digest fits what was said of disputed chunks
	Unexplained          // nothing that is known fits
)

// explain finds out why a stream is not the one that was captured, all chunks of which
// can be read: whether disputed chunks account for it. It gives the harm they do, and
// err, where they don't.
func (v *verifier) explain(ctx context.Context, recipe *format.Recipe, err error) ([]harm, error) {
	key := weave.RecipeKey(recipe)
	v.Wrong[key] = Unexplained
	for level := range recipe.Level {
		// What is wrong in a list of runs spoils all behind it.
		outer := format.Recipe{Level: level, Runs: recipe.Runs}
		harms, failed := v.disputedIn(ctx, &outer)
		if failed != nil {
			return nil, OrElse(failed, err)
		}
		if len(harms) > 0 {
			v.Wrong[key] = misled
			for i := range harms {
				harms[i].whole = true
			}
			return harms, nil
		}
	}
	harms, failed := v.disputedIn(ctx, recipe)
	if failed != nil {
		return nil, OrElse(failed, err)
	}
	ok := false
	if len(harms) > 0 {
		if ok, failed = v.r.stock.Fits(ctx, recipe, v.r.slabs.Runs(ctx, recipe), v.saidOf); failed != nil {
			return nil, OrElse(failed, err)
		}
	}
	if !ok {
		return nil, err
	}
	v.Wrong[key] = misled
	return harms, nil
}

// OrElse gives err, or where that is damage the other one.
func OrElse(err, other error) error {
	if vault.IsDamage(err) {
		return other
	}
	return err
}

// disputedIn gives the disputed frames in a stream, and which of its chunks they concern.
func (v *verifier) disputedIn(ctx context.Context, recipe *format.Recipe) (harms []harm, err error) {
	at := uint64(0)
	for run, err := range v.r.slabs.Runs(ctx, recipe) {
		if err != nil {
			return harms, err
		}
		if s := v.state(run.Slab); s.Disputed.any(run) {
			slab, err := v.r.slabs.Open(ctx, run.Slab)
			if err != nil {
				return harms, err
			}
			for n := range run.Count {
				if len(s.Disputed.Said[run.First+n]) > 0 && len(harms) <= maxHarms {
					harms = append(harms, harm{place: badPlace{run.Slab, slab.FrameOf(run.First + n)}, span: weave.Span{First: at + uint64(n), Count: uint64(run.Times)}})
				}
			}
		}
		at += run.Len()
	}
	return harms, nil
}

// saidOf gives what was said of a disputed chunk, and what any other one is.
func (v *verifier) saidOf(slab format.SlabID, n uint32) (id crypt.Identity, length uint32, ok bool) {
	id, length, ok = v.RealOf(slab, n)
	if ok {
		if said := v.Slabs[slab].Disputed.Said[n]; len(said) > 0 {
			id = said[0]
		}
	}
	return id, length, ok
}

// RealOf gives what a chunk is. One that could not be read has no identity.
func (v *Findings) RealOf(slab format.SlabID, n uint32) (id crypt.Identity, length uint32, ok bool) {
	s := v.Slabs[slab]
	if s == nil || int(n) >= len(s.IDs) || s.IDs[n] == (crypt.Identity{}) {
		return id, 0, false
	}
	return s.IDs[n], s.lens[n], true
}

// Learn takes in a slab that was put since all was looked at, by a record of what its frames hold.
func (v *Findings) Learn(rec *format.SlabRecord) {
	s := &SlabState{Bad: make(map[int]error), IDs: stock.IdentitiesOf(rec)}
	for i := range rec.Frames {
		s.lens = append(s.lens, rec.Frames[i].Chunks...)
	}
	v.Slabs[rec.Slab] = s
}
