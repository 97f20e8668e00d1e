package check

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// maxHarms bounds the memory for a stream's harms. No honest capture comes near.
const maxHarms = 1 << 16

// badPlace is a frame that can't be read, or with frame -1 a whole slab.
type badPlace struct {
	slab  format.SlabID
	frame int
}

func (p badPlace) compare(q badPlace) int {
	return cmp.Or(slices.Compare(p.slab[:], q.slab[:]), cmp.Compare(p.frame, q.frame))
}

// harm is what a bad place does to a volume.
type harm struct {
	place badPlace
	span  weave.Span // chunks of the volume's contents
	whole bool       // the volume can't be restored at all
}

// checkCaptures finds out, from the state of the slabs, what of each capture
// is harmed, and compares the digests of the rest.
func (v *verifier) checkCaptures(ctx context.Context) error {
	damages, standing := v.slabDamages()
	ahead := func(ctx context.Context, c *ledger.Capture) (any, error) {
		weave.LookAhead(ctx, v.r.slabs, c, nil)
		return nil, nil
	}
	err := vault.InOrder(ctx, v.Captures, vault.Askers, ahead, func(c *ledger.Capture, _ any, _ error) error {
		for i := range c.Volumes {
			if err := v.checkVolume(ctx, c, &c.Volumes[i], damages); err != nil {
				return err
			}
		}
		return v.checkSeenList(ctx, c, damages)
	})
	if err != nil {
		return err
	}
	overcome := make(map[format.SlabID]bool)
	for _, place := range slices.SortedFunc(maps.Keys(damages), badPlace.compare) {
		d, below := damages[place], standing[place]
		// What no table says any more harms nobody, where all captures fit the frames.
		if v.settled(place, d) {
			continue
		}
		if len(d.Captures) == 0 && !v.slows[place] && errors.Is(v.Slabs[place.slab].Bad[place.frame], storage.ErrNotFound) {
			if len(below) > 0 { // else it was listed, nothing needs it, and it was removed meanwhile
				v.noteBaseless(d, len(below))
			}
			continue
		}
		idle := len(d.Captures) == 0 && len(below) == 0
		if place.frame < 0 && idle && v.Slabs[place.slab].record == nil {
			v.report.Notes = append(v.report.Notes, fmt.Sprintf("%s is cut short or can't be read, and nothing needs it: reclaiming removes it", d.Object))
			continue
		}
		if v.overcome(place, d) && !slices.ContainsFunc(below, func(p badPlace) bool { return !v.overcome(p, d) }) {
			overcome[place.slab] = true
			continue
		}
		d.Standing = len(below)
		v.report.Damage = append(v.report.Damage, *d)
	}
	v.noteOvercome(overcome)
	return nil
}

// slabDamages begins a Damage for every place that is damaged itself, and gives those that can't be read for each, as they
// stand on it.
func (v *verifier) slabDamages() (damages map[badPlace]*Damage, standing map[badPlace][]badPlace) {
	damages, standing = make(map[badPlace]*Damage), make(map[badPlace][]badPlace)
	v.disputes(damages)
	for id, s := range v.Slabs {
		for frame, err := range s.Bad {
			place := badPlace{id, frame}
			causes := v.causesOf(place)
			for _, cause := range causes {
				if cause != place {
					standing[cause] = append(standing[cause], place)
				}
			}
			if slices.Contains(causes, place) {
				d := newDamage(names.Slab(id), err)
				damages[place] = &d
			}
		}
	}
	return damages, standing
}

func (v *verifier) checkVolume(ctx context.Context, c *ledger.Capture, vol *format.Volume, damages map[badPlace]*Damage) error {
	var harms []harm
	if err := v.checkEntries(ctx, c, vol); err != nil {
		return err
	}
	if err := v.checkOrder(ctx, c, vol); err != nil {
		return err
	}
	for _, p := range weave.Parts(vol) {
		found, err := v.checkRecipe(ctx, p.Recipe)
		if vault.IsDamage(err) {
			v.report.Damage = append(v.report.Damage, volumeDamage(c, vol, p.Use, err))
			continue
		}
		if err != nil {
			return err
		}
		if p.Use == weave.ForSpeed {
			for _, h := range found { // which is reported all the same
				for _, cause := range v.causesOf(h.place) {
					v.slows[cause] = true
				}
			}
			continue
		}
		for _, h := range found {
			h.whole = h.whole || p.Use == weave.ForAll
			harms = append(harms, h)
		}
	}
	return v.nameHarmed(ctx, c, vol, harms, damages)
}

// checkEntries decodes a member list as restoring does, and holds what it adds
// up to against the record. Of equal lists one is decoded.
func (v *verifier) checkEntries(ctx context.Context, c *ledger.Capture, vol *format.Volume) error {
	if !v.o.Full {
		return nil
	}
	key := keyOfList(vol)
	if v.lists[key] {
		return nil
	}
	err := v.r.addUp(ctx, vol)
	switch {
	case err == nil:
		v.lists[key] = true
	case v.isOfSlab(err): // named where the bad place is
	case vault.IsDamage(err):
		v.report.Damage = append(v.report.Damage, volumeDamage(c, vol, weave.ForAll, err))
	default:
		return err
	}
	return nil
}

// listKey is by what member lists are known to be equal.
type listKey struct {
	list, stamps crypt.Digest
	length       uint64
}

func keyOfList(vol *format.Volume) listKey {
	return listKey{vol.MemberList.Digest, weave.OrEmpty(vol.Stamps).Digest, vol.Length}
}

// isOfSlab tells whether an error is about a slab that was found to be bad.
func (v *verifier) isOfSlab(err error) bool {
	var slab *fetch.SlabError
	return errors.As(err, &slab) && len(v.state(slab.Slab).Bad) > 0
}

// addUp reads a member list to its end.
func (r *Verifier) addUp(ctx context.Context, v *format.Volume) error {
	entries := r.reader.Entries(ctx, v)
	defer entries.Close()
	var length, chunks, contents uint64
	for {
		e, err := entries.Next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		header, err := e.Header()
		if err != nil {
			return err
		}
		length += uint64(len(header)) + e.Length
		chunks += e.Chunks
		contents += e.Length
	}
	if want := weave.OrEmpty(v.Contents); length != v.Length || chunks != want.Chunks || contents != want.Bytes {
		return fmt.Errorf("%w: a member list that adds up to %d bytes and %d chunks, not %d and %d", format.ErrDamaged, length, chunks, v.Length, want.Chunks)
	}
	return nil
}

// volumeDamage is damage of a volume that no single slab accounts for.
func volumeDamage(c *ledger.Capture, vol *format.Volume, u weave.Use, err error) Damage {
	d := newDamage(names.Capture(c.ID, 0), err)
	if u == weave.ForSpeed {
		return d
	}
	d.Captures = []string{c.ID}
	d.Members = []Harmed{{Capture: c.ID, Volume: vol.Name}}
	return d
}

// checkRecipe gives the harm done to a stream, or, where all its chunks can be
// read and have been, an error for a stream that is not the one that was
// captured.
func (v *verifier) checkRecipe(ctx context.Context, recipe *format.Recipe) ([]harm, error) {
	for level := range recipe.Level {
		// The streams of runs above the recipe, the outermost first.
		outer := format.Recipe{Level: level, Runs: recipe.Runs}
		harms, err := v.walk(ctx, &outer, nil)
		if vault.IsDamage(err) && v.o.Full {
			return v.explain(ctx, recipe, err)
		}
		if err != nil || len(harms) > 0 {
			for i := range harms {
				harms[i].whole = true
			}
			return harms, err
		}
	}
	digest := crypt.NewDigestHasher()
	harms, err := v.walk(ctx, recipe, digest)
	if err == nil && len(harms) == 0 && v.o.Full && digest.Sum() != recipe.Digest {
		err = fmt.Errorf("%w: a stream is not the one that was captured", format.ErrDamaged)
	}
	if vault.IsDamage(err) && v.o.Full {
		return v.explain(ctx, recipe, err)
	}
	return harms, err
}

// walk follows the runs of a recipe, adds their chunks to digest where that is
// set and they are known, and gives the harm.
func (v *verifier) walk(ctx context.Context, recipe *format.Recipe, digest *crypt.DigestHasher) (harms []harm, err error) {
	at, bytes := uint64(0), uint64(0)
	for run, err := range v.r.slabs.Runs(ctx, recipe) {
		if err != nil {
			return harms, err
		}
		s := v.state(run.Slab)
		// The slab is whole and has fewer chunks: the recipe is wrong, not the slab.
		if s.Bad[-1] == nil && int(run.First)+int(run.Count) > len(s.lens) {
			return harms, fmt.Errorf("slab %s: %w: chunk %d is named and the slab has %d",
				names.Slab(run.Slab), format.ErrDamaged, run.First+run.Count-1, len(s.lens))
		}
		hit, err := v.harmOf(ctx, run, at, s)
		if err != nil {
			return harms, err
		}
		harms = append(harms, hit...)
		if s.Bad[-1] == nil {
			n, err := addChunks(ctx, s, run, digest)
			if err != nil {
				return harms, err
			}
			bytes += n
		}
		at += run.Len()
		if len(harms) > maxHarms { // enough to say that all of it is harmed
			for i := range harms {
				harms[i].whole = true
			}
			return harms, nil
		}
	}
	// With harm the sums are short anyway, and the bad places are named.
	if digest != nil && len(harms) == 0 && (at != recipe.Chunks || bytes != recipe.Bytes) {
		return nil, fmt.Errorf("%w: a recipe names %d chunks of %d bytes and should name %d of %d", format.ErrDamaged, at, bytes, recipe.Chunks, recipe.Bytes)
	}
	return harms, nil
}

// repeatStep is how often a chunk is hashed again between two looks at the context: some
// milliseconds of work.
const repeatStep = 1 << 20

// addChunks adds the chunks of a run to digest, where that is set and they are
// known, and gives their length.
func addChunks(ctx context.Context, s *SlabState, run format.Run, digest *crypt.DigestHasher) (bytes uint64, err error) {
	for n := run.First; n < run.First+run.Count; n++ {
		bytes += uint64(s.lens[n]) * uint64(run.Times)
	}
	if digest == nil || s.IDs == nil {
		return bytes, context.Cause(ctx)
	}
	// Only a run of one chunk repeats (FORMAT.md, Recipes); up to four thousand million times, for holes.
	if run.Count > 1 {
		for n := run.First; n < run.First+run.Count; n++ {
			digest.Add(s.IDs[n], int(s.lens[n]))
		}
		return bytes, nil
	}
	for left := uint64(run.Times); left > 0; left -= min(left, repeatStep) {
		if ctx.Err() != nil {
			return bytes, context.Cause(ctx)
		}
		digest.AddTimes(s.IDs[run.First], int(s.lens[run.First]), min(left, repeatStep))
	}
	return bytes, nil
}

// harmOf gives the bad places among the chunks of a run, whose first is the
// stream's chunk number at.
func (v *verifier) harmOf(ctx context.Context, run format.Run, at uint64, s *SlabState) (harms []harm, err error) {
	if len(s.Bad) == 0 {
		return nil, nil
	}
	if s.Bad[-1] != nil {
		return []harm{{place: badPlace{run.Slab, -1}, span: weave.Span{First: at, Count: run.Len()}}}, nil
	}
	slab, err := v.r.slabs.Open(ctx, run.Slab)
	if err != nil {
		return nil, err // it could be read before
	}
	for frame := range s.Bad {
		first := slab.FirstChunk(frame)
		from := max(first, run.First)
		to := min(first+uint32(len(slab.Frames[frame].Chunks)), run.First+run.Count)
		if from < to {
			// Frames and runs are both spans of the slab's chunks: what they share is hit.
			hit := weave.CutOut(run, uint64(from-run.First), uint64(to-from)*uint64(run.Times))
			harms = append(harms, harm{place: badPlace{run.Slab, frame}, span: weave.Span{First: at + uint64(from-run.First), Count: hit.Len()}})
		}
	}
	return harms, nil
}
