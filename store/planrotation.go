package store

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/kistarchive/kist/store/rotation"
)

// WrongClock keeps a capture that was written before its repository was made, by the
// clock of the machine that wrote it. That clock was wrong, and nobody knows how old the
// data is. It is among the reasons that [Repository.PlanRotation] gives, behind those of package rotation.
const WrongClock rotation.Rule = "clock"

// ClockTolerance is how far the clocks of machines may differ before a capture's date
// counts as one in the future or as wrong. Common practice, no source.
const ClockTolerance = 10 * time.Minute

// RotationOptions say by which rules captures rotate.
type RotationOptions struct {
	// Rules say how many captures of each name and host stay. One of them must be above 0.
	// Where Versions is 0, the newest capture of every version stays.
	Rules rotation.Rules
	// Name, if set, leaves out the captures of all other names.
	Name string
	// Location is where days, weeks, months and years begin; nil means UTC.
	Location *time.Location
	// Now is the time of this machine; zero means time.Now.
	Now time.Time
}

// RotationPlan says what a rotation would retire. Nothing is changed by it.
type RotationPlan struct {
	// Decisions are about each capture that rotates, by name and host, and in the order
	// in which PlanRotation was given them. Group is that of RotationItems.
	Decisions []rotation.Decision
	// Warnings are about captures whose dates can't be right, in the order of Decisions.
	Warnings []RotationWarning
}

// Retires gives the ids of the captures that no rule keeps: those to give to [Repository.Retire].
func (p *RotationPlan) Retires() (ids []string) {
	for _, d := range p.Decisions {
		if !d.Keep {
			ids = append(ids, d.ID)
		}
	}
	return ids
}

// RotationWarning is about a capture that stays since some clock was wrong. Only a person
// can tell what is right: [Repository.Retire] retires it by its id.
type RotationWarning struct {
	Capture *Capture
	// Rule is rotation.Future, where Date is after now and counts for no rule, or
	// WrongClock, where Date is before the repository was made.
	Rule rotation.Rule
	// Date is the one that is wrong: Capture.Taken or Capture.Written.
	Date time.Time
}

// RotationItems gives captures as package rotation plans for them: captures of the same
// name and host are one group. Retired ones are left out. They are in the order of captures.
func RotationItems(captures []*Capture) []rotation.Item {
	items := make([]rotation.Item, 0, len(captures))
	for _, c := range captures {
		if c.Retired == nil {
			items = append(items, rotation.Item{ID: c.ID, Group: c.Name + "\x00" + c.Host, Taken: c.Taken, Held: c.Held, Version: c.Version, Doubtful: len(c.Doubts) > 0})
		}
	}
	return items
}

// PlanRotation says which captures stay by rules that apply to those of each name and host
// by themselves, and which may be retired. Give it what [Repository.Captures] or [Repository.AllCaptures] gave, and
// only if that was without an error: what a damaged index file is about would count for
// nothing, and others would go or stay for the wrong reason.
//
// Whatever the rules, those stay that are held, the newest of each name and host, the newest
// of those without Doubts, the newest of each version unless Rules.Versions says of how many,
// and, with a warning, captures whose dates can't be right: those dated after now and those written
// before the repository was made, by more than [ClockTolerance].
//
// It fails with [ErrForeign] for a capture that this repository did not give, with [ErrNotFound] where Name is
// that of no capture that is not retired, and with [rotation.ErrBadRules] or [rotation.ErrBadItem]. It reads nothing, and may be called by several
// goroutines at once.
func (r *Repository) PlanRotation(captures []*Capture, o RotationOptions) (*RotationPlan, error) {
	if err := r.vault.Open(); err != nil {
		return nil, err
	}
	for _, c := range captures {
		if err := r.ownsAll(c); err != nil {
			return nil, err
		}
	}
	rotating := slices.DeleteFunc(withoutRetired(captures), func(c *Capture) bool { return o.Name != "" && c.Name != o.Name })
	if o.Name != "" && len(rotating) == 0 {
		return nil, fmt.Errorf("a capture of %q: %w", o.Name, ErrNotFound)
	}
	if o.Now.IsZero() {
		o.Now = time.Now()
	}
	rules, err := withVersions(o.Rules)
	if err != nil {
		return nil, err
	}
	decisions, err := rotation.Plan(RotationItems(rotating), rules, o.Now.Add(ClockTolerance), o.Location)
	if err != nil {
		return nil, err
	}
	byID := make(map[string]*Capture, len(rotating))
	for i, c := range rotating {
		byID[c.ID] = c
		if d := &decisions[i]; c.Written.Before(r.vault.Made().Add(-ClockTolerance)) {
			d.Keep, d.Why = true, append(d.Why, rotation.Reason{Rule: WrongClock})
		}
	}
	slices.SortStableFunc(decisions, func(a, b rotation.Decision) int { return cmp.Compare(a.Group, b.Group) })
	return &RotationPlan{decisions, rotationWarnings(decisions, byID)}, nil
}

// withVersions gives rules by which the last capture of a version is not retired unasked.
func withVersions(rules rotation.Rules) (rotation.Rules, error) {
	if _, err := rotation.Plan(nil, rules, time.Time{}, nil); err != nil {
		return rules, err
	}
	if rules.Versions == 0 {
		rules.Versions = math.MaxInt
	}
	return rules, nil
}

func rotationWarnings(decisions []rotation.Decision, captures map[string]*Capture) (warnings []RotationWarning) {
	for _, d := range decisions {
		c := captures[d.ID]
		for _, why := range d.Why {
			switch why.Rule {
			case rotation.Future:
				warnings = append(warnings, RotationWarning{c, why.Rule, c.Taken})
			case WrongClock:
				warnings = append(warnings, RotationWarning{c, why.Rule, c.Written})
			}
		}
	}
	return warnings
}
