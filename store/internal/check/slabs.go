package check

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

// readTables reads the tables and compares them with the slabs that there are.
func (v *verifier) readTables(ctx context.Context) error {
	tables, err := v.r.vault.List(ctx, names.Tables)
	if err != nil {
		return err
	}
	for _, t := range tables {
		v.report.Checked += t.Size
	}
	stock, err := v.r.stock.Take(ctx, v.There, true, func(rec *format.SlabRecord) error {
		v.state(rec.Slab).record = rec
		return nil
	})
	if err != nil {
		return err
	}
	for _, d := range stock.Damage {
		v.damage(d.Object, fmt.Errorf("%w; that alone harms no capture, and repairing writes it anew", d.Err))
	}
	if len(stock.Damage) == 0 {
		v.unlisted = stock.Unlisted()
	}
	return nil
}

// readRecipes finds out which slabs the captures want, and lists all others as
// well where everything is verified.
func (v *verifier) readRecipes(ctx context.Context) error {
	// Those of one capture lie in the same few slabs: read beside each other, they would wait for one another.
	err := vault.InOrder(ctx, v.Captures, vault.Askers, v.slabsOf, func(_ *ledger.Capture, slabs map[format.SlabID]bool, err error) error {
		for id := range slabs {
			v.state(id).wanted = true
		}
		return err
	})
	if err != nil {
		return err
	}
	v.wantBases()
	if len(v.o.Captures) > 0 {
		return nil
	}
	for _, s := range v.There {
		if !v.state(s.ID).wanted {
			v.unneeded = append(v.unneeded, s)
		}
	}
	for _, info := range v.listed {
		id, err := names.ParseSlab(info.Name)
		if err != nil {
			v.foreign(info.Name)
			continue
		}
		v.state(id).wanted = true
	}
	return nil
}

// slabsOf gives the slabs that a capture's recipes name, those of nested recipes
// among them. What can't be read is left for checkCaptures.
func (v *verifier) slabsOf(ctx context.Context, c *ledger.Capture) (map[format.SlabID]bool, error) {
	slabs := make(map[format.SlabID]bool)
	for _, recipe := range weave.Recipes(c) {
		if err := v.addSlabs(ctx, recipe, slabs); err != nil && !vault.IsDamage(err) {
			return nil, err
		}
	}
	return slabs, nil
}

func (v *verifier) addSlabs(ctx context.Context, recipe *format.Recipe, slabs map[format.SlabID]bool) error {
	for level := range recipe.Level + 1 {
		part := format.Recipe{Level: level, Runs: recipe.Runs}
		for run, err := range v.r.slabs.Runs(ctx, &part) {
			if err != nil {
				return err
			}
			slabs[run.Slab] = true
		}
	}
	return nil
}

// readSlabs opens the slabs that are wanted, and of their frames as many as the options say; then those that these say they
// stand on, as their tables may be gone.
func (v *verifier) readSlabs(ctx context.Context) error {
	read := make(map[format.SlabID]bool)
	for {
		var ids []format.SlabID
		for id, s := range v.Slabs {
			if s.wanted && !read[id] {
				ids, read[id] = append(ids, id), true
			}
		}
		if len(ids) == 0 {
			return nil
		}
		if err := v.readThese(ctx, ids); err != nil {
			return err
		}
	}
}

func (v *verifier) readThese(ctx context.Context, ids []format.SlabID) error {
	slices.SortFunc(ids, func(a, b format.SlabID) int { return slices.Compare(a[:], b[:]) })
	for _, id := range ids {
		length, _ := v.There.Length(id)
		v.meter.Expect(length)
	}
	// Several are opened ahead: a share answers each only after some milliseconds.
	return vault.InOrder(ctx, ids, vault.Askers, v.r.slabs.Open, func(id format.SlabID, slab *fetch.Slab, err error) error {
		s := v.Slabs[id]
		if err != nil {
			return s.note(-1, err)
		}
		length, _ := v.There.Length(id)
		v.meter.Add(length, false)
		return v.readSlab(ctx, slab, s)
	})
}

func (v *verifier) readSlab(ctx context.Context, slab *fetch.Slab, s *SlabState) error {
	id := slab.ID
	for i := range slab.Frames {
		s.lens = append(s.lens, slab.Frames[i].Chunks...)
	}
	s.standing = standingOf(slab.Frames)
	for _, base := range format.BaseSlabs(id, s.standing) {
		v.state(base).wanted = true
	}
	if slab.Trailers < 2 {
		worn := fmt.Errorf("%w: one of the two copies of its trailer", format.ErrDamaged)
		heals, err := v.heals(ctx, id, worn)
		if err != nil {
			return err
		}
		if !heals {
			s.Worn = true
			v.damage(names.Slab(id), fmt.Errorf("%w; no capture is harmed", worn))
		}
	}
	if v.o.Full {
		if err := v.checkParity(ctx, slab); err != nil {
			return err
		}
	}
	if s.record != nil && !SameFrames(s.record, slab) {
		v.damage(names.Slab(id), fmt.Errorf("%w: a table says of it what it does not hold", format.ErrDamaged))
		s.record = nil // it is of no use any more
	}
	if v.o.Full {
		s.IDs = make([]crypt.Identity, len(s.lens))
	}
	return v.r.slabs.IdentifyFrames(ctx, slab, v.chooseFrames(slab), func(frame int, ids []crypt.Identity, err error) error {
		if err != nil {
			return s.note(frame, err)
		}
		v.report.Checked += int64(slab.Frames[frame].Sealed)
		if s.IDs != nil {
			copy(s.IDs[slab.FirstChunk(frame):], ids)
		}
		s.dispute(slab, frame, ids)
		return nil
	})
}

// checkParity finds out whether a slab's parity is what was written.
func (v *verifier) checkParity(ctx context.Context, slab *fetch.Slab) error {
	damage := v.r.slabs.CheckParity(ctx, slab)
	if damage == nil || !vault.IsDamage(damage) {
		return damage
	}
	heals, err := v.heals(ctx, slab.ID, damage)
	if err == nil && !heals {
		v.damage(names.Slab(slab.ID), fmt.Errorf("%w; no capture is harmed", damage))
	}
	return err
}

// heals tells whether it is known what a damaged slab was.
func (v *verifier) heals(ctx context.Context, id format.SlabID, cause error) (bool, error) {
	_, err := v.r.slabs.Whole(ctx, id, cause)
	if errors.Is(err, fetch.ErrBeyond) {
		return false, nil
	}
	return err == nil, err
}

// noteMendable tells of what was damaged and could be read all the same.
func (v *verifier) noteMendable() {
	healed := v.r.slabs.Healed()
	v.unlisted = slices.DeleteFunc(v.unlisted, func(id format.SlabID) bool { return healed[id] != nil }) // of another length
	v.noteUnlisted()
	for id, cause := range healed {
		v.mendable(names.Slab(id), cause, "its parity tells what it was")
	}
	second := v.r.vault.Healed()
	damaged := make(map[string]bool)
	for _, d := range v.report.Damage {
		damaged[d.Object] = true
	}
	for _, name := range v.worn {
		if second[name] == nil && !damaged[name] { // else it may be the second copy that is whole
			v.mendable(names.Spare(name), format.ErrDamaged, "it is a second copy, and the first is whole")
		}
	}
	for name, cause := range second {
		if _, own := names.ParseOwn(name); own {
			continue // told by whoever reads what the place has about itself
		}
		v.mendable(name, cause, "its second copy tells what it was")
	}
}

func (v *verifier) mendable(object string, cause error, by string) {
	d := newDamage(object, fmt.Errorf("%w; %s, and no capture is harmed: repairing mends it", cause, by))
	d.Mendable = true
	v.report.Damage = append(v.report.Damage, d)
	v.Mendable = append(v.Mendable, object)
}

// chooseFrames gives the frames to open: also those of which a mark says that they are harmed, as a capture may need them again.
func (v *verifier) chooseFrames(slab *fetch.Slab) []int {
	var frames []int
	for i := range slab.Frames {
		if v.o.Full || v.marked.Names(slab.ID, uint32(i)) || rand.Float64() < v.o.Sample {
			frames = append(frames, i)
		}
	}
	return frames
}

// note takes down damage, and gives any other error back.
func (s *SlabState) note(frame int, err error) error {
	if !vault.IsDamage(err) {
		return err
	}
	s.Bad[frame] = err
	return nil
}

// SameFrames tells whether a table says of a slab what the slab says itself: of its group, its
// frames, the lengths of their chunks, and what they stand on.
func SameFrames(rec *format.SlabRecord, slab *fetch.Slab) bool {
	return bytes.Equal(rec.Group, slab.Group) && slices.EqualFunc(rec.Frames, slab.Frames, func(a format.TableFrame, b format.Frame) bool {
		return a.Kind == b.Kind && a.Sealed == b.Sealed && a.Padding == b.Padding && slices.Equal(a.Chunks, b.Chunks) && a.SameAs(&b.Standing)
	})
}

// objectOf gives the name of the object that an error is about.
func objectOf(err error) string {
	var slab *fetch.SlabError
	if errors.As(err, &slab) {
		return names.Slab(slab.Slab)
	}
	var object *vault.ObjectError
	if errors.As(err, &object) {
		return object.Object
	}
	return ""
}
