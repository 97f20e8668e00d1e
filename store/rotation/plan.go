package rotation

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// Plan decides which items stay. Give it all captures of a group, held ones and
// others: what is left out counts for nothing. The decisions are in the order of
// items, and the same whatever that order is.
//
// Days, weeks, months and years are those of the calendar in loc, nil meaning
// UTC; where a machine's location may change, fix one, or a day's captures are
// divided otherwise. Items dated after now stay and count for nothing. Of items
// taken at the same time, the one with the greater ID counts as newer.
//
// It fails with [ErrBadRules] or [ErrBadItem], and decides nothing then. It may be
// called by several goroutines at once.
func Plan(items []Item, rules Rules, now time.Time, loc *time.Location) ([]Decision, error) {
	if err := rules.check(); err != nil {
		return nil, err
	}
	if err := checkItems(items); err != nil {
		return nil, err
	}
	if loc == nil {
		loc = time.UTC
	}
	decisions := make([]Decision, len(items))
	groups := make(map[string][]dated)
	for i, item := range items {
		d := &decisions[i]
		d.Item = item
		if item.Held {
			d.keep(Reason{Rule: Held})
		}
		taken := item.Taken.In(loc) // and without a monotonic reading, which not all times have
		if taken.After(now) {
			d.keep(Reason{Rule: Future})
			continue
		}
		groups[item.Group] = append(groups[item.Group], dated{d, taken})
	}
	for _, group := range groups {
		decide(group, rules)
	}
	return decisions, nil
}

func checkItems(items []Item) error {
	ids := make(map[string]struct{}, len(items))
	for _, item := range items {
		if item.Taken.IsZero() {
			return fmt.Errorf("%w: capture %q has no date: give it one, or leave it out", ErrBadItem, item.ID)
		}
		if _, twice := ids[item.ID]; twice {
			return fmt.Errorf("%w: capture %q is there twice: give each one once", ErrBadItem, item.ID)
		}
		ids[item.ID] = struct{}{}
	}
	return nil
}

// dated is a decision to be made, and the time of its capture in the location of
// the calendar.
type dated struct {
	*Decision
	taken time.Time
}

// decide gives the captures of one group their reasons.
func decide(group []dated, rules Rules) {
	slices.SortFunc(group, func(a, b dated) int {
		return cmp.Or(b.taken.Compare(a.taken), cmp.Compare(b.ID, a.ID))
	})
	sound := slices.IndexFunc(group, func(d dated) bool { return !d.Doubtful })
	for i, d := range group {
		switch i {
		case 0:
			d.keep(Reason{Rule: Newest})
		case sound:
			d.keep(Reason{Rule: Sound})
		}
		if i < rules.Last {
			d.keep(Reason{Rule: Last, Place: i + 1, Of: rules.Last})
		}
	}
	for _, t := range []tally{
		{Day, rules.Days}, {Week, rules.Weeks}, {Month, rules.Months}, {Year, rules.Years}, {OfVersion, rules.Versions},
	} {
		t.decide(group)
	}
}

func (d *Decision) keep(r Reason) {
	d.Keep = true
	d.Why = append(d.Why, r)
}
