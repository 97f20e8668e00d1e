package mend

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
	"github.com/kistarchive/kist/store/storage"
)

// badSlab is a slab of which not all can be read.
type badSlab struct {
	frames []uint32         // that can't be read; none: the slab as a whole
	bad    []bool           // by chunk; nil: all
	ids    []crypt.Identity // of the chunks, as a table says; nil where none does, zero where it is not known
	lens   []uint32         // of the chunks, likewise
	group  []byte
	said   map[uint32][]crypt.Identity // what tables said of chunks that are others
}

// lost tells whether a chunk can't be read.
func (b *badSlab) lost(chunk uint32) bool {
	return b != nil && (b.bad == nil || int(chunk) >= len(b.bad) || b.bad[chunk])
}

// disputes tells whether a table said that a chunk is another one.
func (b *badSlab) disputes(chunk uint32) bool { return b != nil && len(b.said[chunk]) > 0 }

// findBad notes which chunks can't be read, and what they were.
func (p *repairer) findBad(ctx context.Context) error {
	p.bad = make(map[format.SlabID]*badSlab)
	for id, s := range p.v.Slabs {
		if len(s.Bad) == 0 && !s.Worn && len(s.Disputed.Said) == 0 {
			continue
		}
		b := &badSlab{said: s.Disputed.Said}
		// Frame -1 stands for the slab as a whole: then all of its chunks are lost.
		if s.Bad[-1] == nil {
			slab, err := p.r.slabs.Open(ctx, id)
			if err != nil {
				return err
			}
			b.bad = make([]bool, slab.Chunks())
			for frame := range s.Bad {
				b.frames = append(b.frames, uint32(frame))
				for n := range slab.Frames[frame].Chunks {
					b.bad[int(slab.FirstChunk(frame))+n] = true
				}
			}
			for frame := range s.Disputed.Frames {
				if s.Bad[frame] == nil {
					b.frames = append(b.frames, uint32(frame))
				}
			}
			if s.Worn {
				// No frame has this number: it stands for the trailer.
				b.frames = append(b.frames, uint32(len(slab.Frames)))
			}
			slices.Sort(b.frames)
		}
		p.bad[id] = b
	}
	return p.nameChunks(ctx)
}

// nameChunks learns from the tables which chunks bad slabs held, those that are
// missing included.
func (p *repairer) nameChunks(ctx context.Context) error {
	if len(p.bad) == 0 {
		return nil
	}
	return p.r.stock.ReadTables(ctx, func(_ storage.Info, records []*format.SlabRecord, _ error) error {
		for _, rec := range records {
			if b := p.bad[rec.Slab]; b != nil && b.ids == nil {
				b.name(rec)
			}
		}
		return nil
	})
}

// name notes what a record says of the chunks.
func (b *badSlab) name(rec *format.SlabRecord) {
	b.ids, b.group = stock.IdentitiesOf(rec), rec.Group
	for i := range rec.Frames {
		b.lens = append(b.lens, rec.Frames[i].Chunks...)
	}
}

// meant gives the identities that a chunk may have had: none is zero.
func (b *badSlab) meant(chunk uint32) []crypt.Identity {
	if said := b.said[chunk]; len(said) > 0 {
		return said
	}
	if int(chunk) >= len(b.ids) || b.ids[chunk] == (crypt.Identity{}) {
		return nil
	}
	return b.ids[chunk : chunk+1]
}

// heal lets captures take harmed chunks from where they are unharmed.
func (p *repairer) heal(ctx context.Context) error {
	if len(p.bad) == 0 && len(p.v.WrongOrders) == 0 {
		return nil
	}
	var records []*format.IndexFile
	for _, captures := range p.r.byGroup(p.v.Captures) {
		healed, err := p.healGroup(ctx, captures)
		if err != nil {
			return err
		}
		records = append(records, healed...)
	}
	if err := p.writeGenerations(ctx, records); err != nil {
		return err
	}
	for _, record := range records {
		i := slices.IndexFunc(p.v.Captures, func(c *ledger.Capture) bool { return c.ID == record.ID })
		p.v.Captures[i] = &ledger.Capture{IndexFile: record}
	}
	return nil
}

// healGroup gives the new records of captures of one group.
func (p *repairer) healGroup(ctx context.Context, captures []*ledger.Capture) ([]*format.IndexFile, error) {
	h, err := p.newHealer(ctx, captures[0].Name)
	if err != nil {
		return nil, err
	}
	var records []*format.IndexFile
	for _, c := range captures {
		record, err := h.capture(ctx, c)
		if err != nil {
			// What was put is listed by a table all the same, for whoever stores the same next.
			h.w.Intake.Abandon(context.WithoutCancel(ctx))
			return nil, fmt.Errorf("capture %s: %w", c.ID, err)
		}
		if record == nil {
			continue
		}
		records = append(records, record)
		p.progress = true
		if !slices.Contains(p.out.Healed, c.ID) {
			p.out.Healed = append(p.out.Healed, c.ID)
		}
	}
	p.waived = p.waived || h.waived
	return records, h.close(records)
}

// close ends the intake, and notes in the records whether they need what slabs stand on.
func (h *healer) close(records []*format.IndexFile) error {
	_, err := h.w.Intake.Close()
	for _, record := range records {
		record.Deltas = record.Deltas || h.w.Intake.AnyDeltas()
	}
	h.w.TakeBases()
	return err
}

// healer finds chunks elsewhere.
type healer struct {
	r     *Mender
	w     *weave.Weaver
	v     *check.Findings
	index *known.Index
	bad   map[format.SlabID]*badSlab
	wrong bool // the recipe at hand meant what was said of disputed chunks

	patient bool // optional parts stay as they are where they can't be healed
	waived  bool // and some did
	found   bool // a harmed chunk of the recipe at hand is elsewhere
}

// newHealer gives a healer that relies on nothing harmed, for captures of that
// name, or for all where they share chunks.
func (p *repairer) newHealer(ctx context.Context, name string) (*healer, error) {
	params, err := p.r.vault.Params()
	if err != nil {
		return nil, err
	}
	apart := p.r.stock.ApartFor(name)
	index, adopted, err := p.r.stock.LoadIndex(ctx, p.lease, apart.Group)
	if err != nil {
		return nil, err
	}
	cfg, err := p.r.stock.IntakeConfig(ctx, index)
	if err != nil {
		return nil, err
	}
	cfg.Adopted, cfg.MaxChunk, cfg.Level, cfg.Apart = adopted, params.Max(), zstd.SpeedDefault, apart
	in, err := intake.New(ctx, cfg)
	if err != nil {
		return nil, err
	}
	w := weave.NewWeaver(params, vault.NewMeter(nil))
	w.Intake = in
	if p.uses == nil {
		p.uses = make(map[format.SlabID]bool)
	}
	// Looked at after the index files were put: nobody may have removed one meanwhile.
	w.Uses = p.uses // of all groups
	return &healer{r: p.r, w: w, v: p.v, index: index, bad: p.bad, patient: p.patient}, nil
}

// capture gives the record of a capture that names what is unharmed, as far as there
// is, or nil if nothing changes.
func (h *healer) capture(ctx context.Context, c *ledger.Capture) (*format.IndexFile, error) {
	record := *c.IndexFile
	record.Volumes = slices.Clone(record.Volumes)
	changed := false
	for i := range record.Volumes {
		v := &record.Volumes[i]
		list := &v.MemberList
		for _, place := range []**format.Recipe{&list, &v.Stamps, &v.Contents} {
			healed, err := h.recipe(ctx, *place, true)
			if err != nil && !errors.Is(err, errLost) {
				return nil, err
			}
			if err == nil && healed != nil {
				*place, changed = healed, true
			}
		}
		v.MemberList = *list
		if v.Order != nil && h.v.WrongOrders[weave.RecipeKey(v.Order)] {
			v.Order, changed = nil, true
		}
		for _, place := range []**format.Recipe{&v.States, &v.Order} {
			if err := h.optional(ctx, place, &changed); err != nil {
				return nil, err
			}
		}
	}
	if err := h.optional(ctx, &record.Seen, &changed); err != nil {
		return nil, err
	}
	if !changed {
		return nil, nil
	}
	return &record, nil
}

// optional heals what nothing is lost without, or leaves it out.
func (h *healer) optional(ctx context.Context, place **format.Recipe, changed *bool) error {
	healed, err := h.recipe(ctx, *place, false)
	switch {
	case errors.Is(err, errLost) && h.patient:
		h.waived = true
	case errors.Is(err, errLost):
		*place, *changed = nil, true
	case err != nil:
		return err
	case healed != nil:
		*place, *changed = healed, true
	}
	return nil
}

// errLost is returned for a chunk that is nowhere.
var errLost = fmt.Errorf("%w: a chunk is in no slab that can be read", format.ErrDamaged)

// recipe gives a recipe that names no harmed chunk, nil if the old one does not, or
// errLost. A recipe of which some chunks are nowhere may be healed in part: it then names those where they were.
func (h *healer) recipe(ctx context.Context, old *format.Recipe, part bool) (*format.Recipe, error) {
	if old == nil {
		return nil, nil
	}
	moved, lost := false, false
	h.found = false
	// Where its digest does not fit what the frames hold, it meant what a table said of them.
	h.wrong = h.v.Wrong[weave.RecipeKey(old)] != check.Intact
	// Once through without writing: nothing is stored for a recipe that stays lost.
	for run, err := range h.runs(ctx, old, &moved, false) {
		if err != nil {
			return nil, err
		}
		lost = lost || run.Slab == (format.SlabID{})
	}
	if lost && (!part || h.wrong || !h.found) {
		return nil, errLost
	}
	if !moved {
		return nil, h.unhealed()
	}
	if ok, err := h.r.stock.Fits(ctx, old, h.runs(ctx, old, &moved, lost), h.chunk); err != nil || !ok {
		return nil, check.OrElse(err, errLost) // what is found elsewhere is not what was captured
	}
	healed, err := h.w.PutRecipe(*old, func(yield func(format.Run) error) error {
		j := &weave.Joiner{Yield: yield}
		for run, err := range h.runs(ctx, old, &moved, lost) {
			if err != nil {
				return err
			}
			if err := j.Add(run); err != nil {
				return err
			}
		}
		return j.End()
	})
	return &healed, err
}

// chunk gives what a chunk is, and of one that is lost what it was.
func (h *healer) chunk(slab format.SlabID, n uint32) (id crypt.Identity, length uint32, ok bool) {
	if b := h.bad[slab]; b != nil && b.lost(n) {
		meant := b.meant(n)
		if len(meant) == 0 || int(n) >= len(b.lens) {
			return id, 0, false
		}
		return meant[0], b.lens[n], true
	}
	return h.v.RealOf(slab, n)
}

// runs gives the runs of a recipe, with harmed chunks taken from elsewhere. A chunk
// that is nowhere comes as a run of the slab zero, or as it was if it is to stay; above the recipe itself, it
// ends the sequence with errLost.
func (h *healer) runs(ctx context.Context, recipe *format.Recipe, moved *bool, stay bool) fetch.Runs {
	runs := fetch.Inline(recipe.Runs)
	// Each level is read by the one above it as it is healed: harmed lists can't be.
	for range recipe.Level {
		runs = h.r.slabs.Nested(ctx, whole(h.replace(runs, moved, false)))
	}
	return h.replace(runs, moved, stay)
}

// whole ends runs at a chunk that is nowhere.
func whole(runs fetch.Runs) fetch.Runs {
	return func(yield func(format.Run, error) bool) {
		for run, err := range runs {
			if err == nil && run.Slab == (format.SlabID{}) {
				err = errLost
			}
			if !yield(run, err) || err != nil {
				return
			}
		}
	}
}

// unhealed says that a recipe is lost of which nothing is to be taken from elsewhere, if it
// is not that of what was captured.
func (h *healer) unhealed() error {
	if h.wrong {
		return errLost
	}
	return nil
}

// replace takes harmed chunks from elsewhere. One that is nowhere comes as a run of the slab zero, or, if it is to
// stay, as it was.
func (h *healer) replace(runs fetch.Runs, moved *bool, stay bool) fetch.Runs {
	return func(yield func(format.Run, error) bool) {
		for run, err := range runs {
			b := h.bad[run.Slab]
			if err != nil || b == nil {
				if !yield(run, err) {
					return
				}
				continue
			}
			// Chunk by chunk: each may be found in another slab, and the joiner makes runs of them.
			for n := range run.Count {
				at := run
				at.First, at.Count = run.First+n, 1
				if b.lost(at.First) || h.wrong && b.disputes(at.First) {
					*moved = true
					if to := h.elsewhere(b, at); to.Slab != (format.SlabID{}) || !stay {
						at = to
					}
				}
				if !yield(at, nil) {
					return
				}
			}
		}
	}
}

// elsewhere gives the run of one chunk where it is unharmed, or in the slab zero.
func (h *healer) elsewhere(b *badSlab, run format.Run) format.Run {
	for _, id := range b.meant(run.First) {
		if ref, ok := h.index.Lookup(id); ok {
			run.Slab, run.First = h.index.Locate(ref)
			h.found = true
			return run
		}
	}
	run.Slab = format.SlabID{}
	return run
}

// byGroup gives the captures of each group, in the order of the first of each.
func (r *Mender) byGroup(captures []*ledger.Capture) [][]*ledger.Capture {
	return stock.Gather(captures, func(c *ledger.Capture) string { return string(r.stock.ApartFor(c.Name).Group) })
}
