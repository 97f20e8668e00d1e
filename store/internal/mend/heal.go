package mend

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/store/internal/check"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/stock"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/internal/weave"
)

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
	cfg.Adopted, cfg.MaxChunk, cfg.Level, cfg.Apart = adopted, params.Max(), zstd.SpeedBetterCompression, apart
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

// byGroup gives the captures of each group, in the order of the first of each.
func (r *Mender) byGroup(captures []*ledger.Capture) [][]*ledger.Capture {
	return stock.Gather(captures, func(c *ledger.Capture) string { return string(r.stock.ApartFor(c.Name).Group) })
}
