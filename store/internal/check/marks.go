package check

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

// readMarks opens all marks.
func (v *verifier) readMarks(ctx context.Context) error {
	going, err := v.r.ledger.ReadBatches(ctx)
	if err != nil {
		return err
	}
	v.going, v.marked, v.Gone = going, going.Harmed(), going.Departures()
	if v.Stand, err = v.r.ledger.ReadStanding(ctx); err != nil {
		return err
	}
	for _, d := range slices.Concat(going.Damage, v.Stand.Damage) {
		v.markDamage(d)
	}
	if err := checkMarks[format.MarkRecord](ctx, v, names.Holds, format.Hold); err != nil {
		return err
	}
	if err := v.checkEnds(ctx); err != nil {
		return err
	}
	if err := v.checkRehearsals(ctx); err != nil {
		return err
	}
	if err := v.checkVerifications(ctx); err != nil {
		return err
	}
	if err := v.checkPlaces(ctx); err != nil {
		return err
	}
	if err := v.checkBundles(ctx); err != nil {
		return err
	}
	v.noteTimes()
	return checkMarks[format.LeaseRecord](ctx, v, names.Leases, format.Lease)
}

// checkMarks opens the marks of a folder that nothing else opens.
func checkMarks[R format.Record](ctx context.Context, v *verifier, folder string, kind format.ObjectKind) error {
	infos, err := v.r.vault.ListMarks(ctx, folder)
	if err != nil {
		return err
	}
	for _, info := range infos {
		if !isMark(info.Name) {
			v.foreign(info.Name)
			continue
		}
		if err := checkMark[R](ctx, v, kind, info); err != nil {
			return err
		}
	}
	return nil
}

func checkMark[R format.Record](ctx context.Context, v *verifier, kind format.ObjectKind, info storage.Info) error {
	_, err := vault.ReadMark[R](ctx, v.r.vault, kind, info)
	var object *vault.ObjectError
	switch {
	case errors.Is(err, storage.ErrNotFound): // a lease that ended
	case vault.IsDamage(err) && errors.As(err, &object):
		v.markDamage(object)
	case err != nil:
		return err
	}
	return nil
}

// checkEnds opens the marks that undo retirements: elsewhere their names alone count.
func (v *verifier) checkEnds(ctx context.Context) error {
	infos, err := v.r.vault.ListMarks(ctx, names.Retired)
	if err != nil {
		return err
	}
	for _, info := range infos {
		_, mark := names.ParseMark(info.Name)
		_, _, end := names.ParseEnding(info.Name)
		_, several := names.ParseRetirement(info.Name)
		switch {
		case several: // opened by whoever reads how captures stand
		case end == nil:
			if err := checkMark[format.MarkRecord](ctx, v, format.Retired, info); err != nil {
				return err
			}
		case mark != nil:
			v.foreign(info.Name)
		}
	}
	return nil
}

// checkRehearsals opens the marks that say how rehearsals went.
func (v *verifier) checkRehearsals(ctx context.Context) error {
	rehearsed, err := v.r.ledger.ReadRehearsals(ctx)
	if err != nil {
		return err
	}
	for _, name := range rehearsed.Foreign {
		v.foreign(name)
	}
	for _, d := range rehearsed.Damage {
		v.markDamage(d)
	}
	return nil
}

// checkVerifications opens the marks that say what verifying found.
func (v *verifier) checkVerifications(ctx context.Context) error {
	verified, err := v.r.ledger.ReadVerifications(ctx)
	if err != nil {
		return err
	}
	for _, name := range verified.Foreign {
		v.foreign(name)
	}
	for _, d := range verified.Damage {
		v.markDamage(d)
	}
	return nil
}

// checkPlaces opens the mark of this place, and those that name what is in others.
func (v *verifier) checkPlaces(ctx context.Context) error {
	elsewhere, err := v.r.ledger.ReadElsewhere(ctx)
	if err != nil {
		return err
	}
	v.Elsewhere = elsewhere.Captures
	for _, d := range elsewhere.Damage {
		v.markDamage(d)
	}
	infos, err := v.r.vault.ListMarks(ctx, names.Place)
	if err != nil {
		return err
	}
	foreign := elsewhere.Foreign
	for _, info := range infos {
		if _, ok := names.ParseOwn(info.Name); !ok {
			foreign = append(foreign, info.Name)
		}
	}
	if err := v.checkOwn(ctx); err != nil {
		return err
	}
	for _, name := range foreign {
		v.foreign(name)
	}
	return nil
}

// checkOwn reads what this place has about itself.
func (v *verifier) checkOwn(ctx context.Context) error {
	bad, err := v.r.vault.CheckOwn(ctx)
	for _, b := range bad {
		d := newDamage(b.Object, fmt.Errorf("%s; %s", vault.ProblemOf(b.Object, b.Err), ownText(b)))
		d.Mendable = b.Whole && !b.Stray
		v.report.Damage = append(v.report.Damage, d)
	}
	return err
}

// ownText says what a mark of a place about itself that can't be read is, and what repairing does.
func ownText(d vault.OwnDamage) string {
	mark, _ := names.ParseOwn(d.Object)
	settings := names.IsSettings(mark)
	switch {
	case d.Stray && settings:
		return "other settings of this place count, and repairing removes it"
	case d.Stray:
		return "another mark says which place of the repository this is, and repairing removes it"
	case d.Whole && settings:
		return "it has settings of this place; its other copy is whole, and repairing puts it anew"
	case d.Whole:
		return "it says which place of the repository this is; its other copy is whole, and repairing puts it anew"
	case settings:
		return "nothing else tells the settings of this place: what is captured gets no parity and no deltas until they are set again, and repairing leaves it"
	}
	return "nothing else tells which place of the repository this is: it is taken for the first, and repairing leaves it until this place is given an identity again or all that can't be mended is given up"
}

// checkBundles opens the bundles, and holds what they have against the index files.
func (v *verifier) checkBundles(ctx context.Context) error {
	bundles, damage, err := v.r.ledger.ReadBundles(ctx, nil)
	if err != nil {
		return err
	}
	for _, d := range damage {
		v.markDamage(d)
	}
	for _, b := range bundles {
		if err := v.r.ledger.CheckBundle(&b, v.Captures); err != nil {
			v.markDamage(&vault.ObjectError{Object: b.Info.Name, Err: err})
		}
	}
	return nil
}

func isMark(name string) bool {
	_, mark := names.ParseMark(name)
	_, _, end := names.ParseEnding(name)
	_, _, lease := names.ParseLease(name)
	return mark == nil || end == nil || lease == nil
}

func (v *verifier) markDamage(d *vault.ObjectError) {
	v.BadMarks = append(v.BadMarks, d.Object)
	v.damage(d.Object, fmt.Errorf("%w; it is a mark, and no capture is harmed (repairing removes it)", d.Err))
}

// checkSeenList finds out whether the list of captures that c saw can be read.
func (v *verifier) checkSeenList(ctx context.Context, c *ledger.Capture, damages map[badPlace]*Damage) error {
	seen := c.Seen
	if seen == nil {
		return nil
	}
	harms, err := v.checkRecipe(ctx, seen)
	if vault.IsDamage(err) {
		v.damage(c.Info.Name, fmt.Errorf("the list of captures that it saw: %w; no member is harmed", err))
		return nil
	}
	for _, h := range harms {
		d := damages[h.place]
		if !slices.Contains(d.Captures, c.ID) {
			d.Captures = append(d.Captures, c.ID)
		}
	}
	return err
}

// checkSeen finds captures that others saw and that are not there, though nothing
// says that they were removed.
func (v *verifier) checkSeen(ctx context.Context) error {
	missing, _, err := v.r.ledger.Vanished(ctx, v.Captures, v.Files, v.Gone.With(v.Elsewhere))
	if err != nil {
		return err
	}
	if err := v.vanished(ctx, missing, func(id string) string { return missing[id] }); err != nil {
		return err
	}
	if len(v.o.Captures) > 0 {
		return nil
	}
	return v.checkMarked(ctx, missing)
}

// checkMarked finds captures that marks are about and that are not there, but for those
// that are missed already.
func (v *verifier) checkMarked(ctx context.Context, missed map[string]string) error {
	marked, _, err := v.r.ledger.Marked(ctx, v.Stand, v.Files, v.Gone)
	if err != nil {
		return err
	}
	maps.DeleteFunc(marked, func(id, _ string) bool { return missed[id] != "" })
	return v.vanished(ctx, marked, func(id string) string { return marked[id] + " is about that capture" })
}

// vanished tells of captures whose index files have vanished, and by what that is known.
func (v *verifier) vanished(ctx context.Context, missing map[string]string, why func(id string) string) error {
	if len(missing) == 0 {
		return nil
	}
	spares, err := v.r.vault.Spares(ctx)
	if err != nil {
		return err
	}
	spared := make(map[string]bool)
	for object := range spares {
		if id, _, err := names.ParseCapture(object); err == nil {
			spared[id] = true
		}
	}
	for _, id := range slices.Sorted(maps.Keys(missing)) {
		err := fmt.Errorf("%w: the index file has vanished: %s, and it was not removed by reclaiming", format.ErrDamaged, why(id))
		if spared[id] {
			err = fmt.Errorf("%w; its second copy is there, and repairing puts it back if that is whole", err)
		}
		d := newDamage(names.Capture(id, 0), err)
		d.Captures = append(d.Captures, id)
		v.report.Damage = append(v.report.Damage, d)
	}
	return nil
}
