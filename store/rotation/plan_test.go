package rotation_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/rotation"
)

func TestPlan(t *testing.T) {
	days := []string{"2026-03-09", "2026-03-10", "2026-03-11", "2026-03-12"}
	for _, test := range []struct {
		name  string
		taken []string
		rules rotation.Rules
		stay  string
	}{
		{"last", days, rotation.Rules{Last: 2}, "2026-03-11 2026-03-12"},
		{"last, more than there are", days, rotation.Rules{Last: 9}, strings.Join(days, " ")},
		{"days", days, rotation.Rules{Days: 3}, "2026-03-10 2026-03-11 2026-03-12"},
		{"the newest of each day",
			[]string{"2026-03-09T02:03", "2026-03-09T14:00", "2026-03-10T00:00", "2026-03-10T23:59", "2026-03-08T12:00"},
			rotation.Rules{Days: 2}, "2026-03-09T14:00 2026-03-10T23:59"},
		{"days without captures do not count",
			[]string{"2025-11-01", "2025-12-24", "2026-02-28", "2026-03-12"},
			rotation.Rules{Days: 3}, "2025-12-24 2026-02-28 2026-03-12"},
		{"weeks", []string{"2026-03-01", "2026-03-02", "2026-03-08", "2026-03-09"}, // a Sunday, a Monday
			rotation.Rules{Weeks: 2}, "2026-03-08 2026-03-09"},
		{"weeks without captures do not count", []string{"2025-03-01", "2026-02-02", "2026-02-03", "2026-03-09"},
			rotation.Rules{Weeks: 3}, "2025-03-01 2026-02-03 2026-03-09"},
		{"months", []string{"2026-01-30", "2026-01-31", "2026-02-28", "2026-03-01"},
			rotation.Rules{Months: 2}, "2026-02-28 2026-03-01"},
		{"the same month of two years", []string{"2025-03-05", "2026-03-05"},
			rotation.Rules{Months: 2}, "2025-03-05 2026-03-05"},
		{"years", []string{"2023-05-01", "2024-05-01", "2024-12-31", "2025-01-01", "2026-03-12"},
			rotation.Rules{Years: 3}, "2024-12-31 2025-01-01 2026-03-12"},
		{"rules overlap and do not add up", days, rotation.Rules{Last: 1, Days: 1, Weeks: 1, Months: 1, Years: 1}, "2026-03-12"},
		{"a week across the turn of the year is one", []string{"2025-12-29", "2025-12-31", "2026-01-01", "2026-01-04"},
			rotation.Rules{Weeks: 4}, "2026-01-04"},
		{"leap day", []string{"2024-02-28", "2024-02-29", "2024-03-01"}, rotation.Rules{Months: 2}, "2024-02-29 2024-03-01"},
		{"one capture", []string{"2026-03-12"}, rotation.Rules{Years: 1}, "2026-03-12"},
		{"none", nil, rotation.Rules{Years: 1}, ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			items := taken(t, test.taken...)
			if got := ids(kept(plan(t, items, test.rules, later, nil))); got != test.stay {
				t.Errorf("%s stay, not %s", got, test.stay)
			}
		})
	}
}

func TestReasons(t *testing.T) {
	items := taken(t, "2026-03-12T09:00", "2026-03-13T09:00", "2026-03-14T02:03", "2026-03-14T01:00", "2026-01-05")
	items[3].Held = true
	decisions := plan(t, items, rotation.Rules{Last: 1, Days: 2, Weeks: 2, Months: 1, Years: 7}, later, time.UTC)
	want := []string{
		"",
		"day 2026-03-13",
		"newest, last 1 of 1, day 2026-03-14, week 2026-W11, month 2026-03, year 2026",
		"held",
		"week 2026-W02",
	}
	for i, d := range decisions {
		if d.Why.String() != want[i] {
			t.Errorf("%s: %q, not %q", d.ID, d.Why.String(), want[i])
		}
	}
	if got, want := decisions[1].Why[0], (rotation.Reason{Rule: rotation.Day, Period: "2026-03-13", Place: 2, Of: 2}); got != want {
		t.Errorf("%+v, not %+v", got, want)
	}
	if got, want := decisions[3].Why[0], (rotation.Reason{Rule: rotation.Held}); got != want {
		t.Errorf("%+v, not %+v", got, want)
	}
}

func TestGroupsRotateApart(t *testing.T) {
	items := taken(t, "2026-03-10", "2026-03-11", "2026-03-12", "2026-03-13")
	items[0].Group, items[1].Group = "seedbank on alder", "seedbank on alder"
	decisions := plan(t, items, rotation.Rules{Last: 1}, later, nil)
	if got, want := ids(kept(decisions)), "2026-03-11 2026-03-13"; got != want {
		t.Errorf("%s stay, not %s", got, want)
	}
}

func TestSameTimeIsOrderedByID(t *testing.T) {
	moment := at(t, "2026-03-14T02:03")
	items := []rotation.Item{
		{ID: "20260314t0203z-k7f3", Taken: moment},
		{ID: "20260314t0203z-m2aa", Taken: moment.In(time.FixedZone("", 3600))},
		{ID: "20260314t0203z-b9zz", Taken: moment},
	}
	for _, rules := range []rotation.Rules{{Last: 1}, {Days: 2}, {Years: 1}} {
		if got, want := ids(kept(plan(t, items, rules, later, nil))), "20260314t0203z-m2aa"; got != want {
			t.Errorf("%+v: %s stays, not %s", rules, got, want)
		}
	}
}

// A held capture counts like any other: who holds one does not lose another, nor
// keeps one more.
func TestHoldChangesNothingForOthers(t *testing.T) {
	items := taken(t, "2026-03-09", "2026-03-10", "2026-03-11", "2026-03-12")
	items[0].Held, items[2].Held = true, true
	decisions := plan(t, items, rotation.Rules{Days: 2}, later, nil)
	want := []string{"held", "", "held, day 2026-03-11", "newest, day 2026-03-12"}
	for i, d := range decisions {
		if d.Why.String() != want[i] {
			t.Errorf("%s: %q, not %q", d.ID, d.Why.String(), want[i])
		}
	}
}

// Ten captures of a clock that ran a year ahead must not push out what is right.
func TestFutureCapturesPushOutNothing(t *testing.T) {
	right := taken(t, "2026-03-09", "2026-03-10", "2026-03-11", "2026-03-12T02:03")
	wrong := taken(t, "2027-03-02", "2027-03-03", "2027-03-04", "2027-03-05", "2027-03-06", "2027-03-07")
	rules := rotation.Rules{Last: 1, Days: 3}
	now := at(t, "2026-03-12T02:03") // the newest is not after now

	decisions := plan(t, slices.Concat(wrong, right), rules, now, nil)
	for _, d := range decisions[:len(wrong)] {
		if d.Why.String() != "future" {
			t.Errorf("%s: %q", d.ID, d.Why.String())
		}
	}
	if got, want := ids(kept(decisions[len(wrong):])), "2026-03-10 2026-03-11 2026-03-12T02:03"; got != want {
		t.Errorf("%s stay, not %s", got, want)
	}
	if got, want := decisions[len(decisions)-1].Why.String(), "newest, last 1 of 1, day 2026-03-12"; got != want {
		t.Errorf("newest: %q, not %q", got, want)
	}

	// Their time has come.
	decisions = plan(t, slices.Concat(wrong, right), rules, at(t, "2027-03-08"), nil)
	if got, want := ids(kept(decisions)), "2027-03-05 2027-03-06 2027-03-07"; got != want {
		t.Errorf("%s stay, not %s", got, want)
	}

	// The planning machine's clock stands at its beginning: nothing is known, all stays.
	for _, d := range plan(t, right, rules, time.Unix(0, 0), nil) {
		if d.Why.String() != "future" {
			t.Errorf("%s: %q", d.ID, d.Why.String())
		}
	}
}

func TestBadInput(t *testing.T) {
	good := taken(t, "2026-03-09", "2026-03-10")
	twice := []rotation.Item{{ID: "k7f3", Group: "a", Taken: later}, {ID: "k7f3", Group: "b", Taken: later}}
	for _, test := range []struct {
		name  string
		items []rotation.Item
		rules rotation.Rules
		err   error
		says  string
	}{
		{"all zero", good, rotation.Rules{}, rotation.ErrBadRules, "all are 0"},
		{"all zero, no captures", nil, rotation.Rules{}, rotation.ErrBadRules, "all are 0"},
		{"last below zero", good, rotation.Rules{Last: -1, Days: 7}, rotation.ErrBadRules, "last is -1"},
		{"days below zero", good, rotation.Rules{Days: -7, Last: 1}, rotation.ErrBadRules, "days is -7"},
		{"weeks below zero", good, rotation.Rules{Weeks: -1, Last: 1}, rotation.ErrBadRules, "weeks is -1"},
		{"months below zero", good, rotation.Rules{Months: -1, Last: 1}, rotation.ErrBadRules, "months is -1"},
		{"years below zero", good, rotation.Rules{Years: -1, Last: 1}, rotation.ErrBadRules, "years is -1"},
		{"a capture twice", twice, rotation.Rules{Last: 1}, rotation.ErrBadItem, `"k7f3"`},
		{"a capture without a date", []rotation.Item{{ID: "k7f3"}}, rotation.Rules{Last: 1}, rotation.ErrBadItem, `"k7f3"`},
	} {
		t.Run(test.name, func(t *testing.T) {
			decisions, err := rotation.Plan(test.items, test.rules, later, nil)
			if !errors.Is(err, test.err) || !strings.Contains(err.Error(), test.says) {
				t.Errorf("error %v, not %v with %q", err, test.err, test.says)
			}
			if decisions != nil {
				t.Errorf("decisions besides an error: %v", decisions)
			}
		})
	}
}
