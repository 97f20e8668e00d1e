package rotation_test

import (
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // so that zones are the same on every machine

	"github.com/kistarchive/kist/store/rotation"
)

const group = "seedbank on hazel"

// later is a now after every capture of a table.
var later = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// at reads a time with its offset from UTC, or without one in UTC.
func at(t testing.TB, s string) time.Time {
	t.Helper()
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04", "2006-01-02"} {
		if v, err := time.Parse(layout, s); err == nil {
			return v
		}
	}
	t.Fatalf("bad time %q", s)
	return time.Time{}
}

// taken makes captures of one group, with their times as IDs.
func taken(t testing.TB, times ...string) []rotation.Item {
	t.Helper()
	var items []rotation.Item
	for _, s := range times {
		items = append(items, rotation.Item{ID: s, Group: group, Taken: at(t, s)})
	}
	return items
}

func plan(t testing.TB, items []rotation.Item, rules rotation.Rules, now time.Time, loc *time.Location) []rotation.Decision {
	t.Helper()
	decisions, err := rotation.Plan(items, rules, now, loc)
	if err != nil {
		t.Fatal(err)
	}
	if len(decisions) != len(items) {
		t.Fatalf("%d decisions for %d items", len(decisions), len(items))
	}
	for i, d := range decisions {
		if d.Item != items[i] {
			t.Fatalf("decision %d is for %v, not for %v", i, d.Item, items[i])
		}
		if d.Keep != (len(d.Why) > 0) {
			t.Fatalf("%s: Keep is %v with the reasons %v", d.ID, d.Keep, d.Why)
		}
	}
	return decisions
}

// kept gives the items that stay.
func kept(decisions []rotation.Decision) []rotation.Item {
	var items []rotation.Item
	for _, d := range decisions {
		if d.Keep {
			items = append(items, d.Item)
		}
	}
	return items
}

func ids(items []rotation.Item) string {
	var all []string
	for _, item := range items {
		all = append(all, item.ID)
	}
	return strings.Join(all, " ")
}

// periods gives the day, the week, the month and the year that each time falls into.
func periods(t testing.TB, loc *time.Location, times ...time.Time) []string {
	t.Helper()
	var items []rotation.Item
	for _, v := range times {
		id := v.Format(time.RFC3339Nano)
		items = append(items, rotation.Item{ID: id, Group: id, Taken: v}) // each the newest of its group
	}
	var all []string
	for _, d := range plan(t, items, rotation.Rules{Days: 1, Weeks: 1, Months: 1, Years: 1}, later, loc) {
		var names []string
		for _, r := range d.Why {
			if r.Period != "" {
				names = append(names, r.Period)
			}
		}
		all = append(all, strings.Join(names, " "))
	}
	return all
}
