package rotation_test

import (
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/rotation"
)

// A capture every night from the last of 2025 to the last of 2026, under seven
// sons, four fathers, twelve grandfathers and two years: common practice, no
// source. The table is made by hand with a wall calendar: 2026-12-31 is a
// Thursday, and 2026-12-27 a Sunday.
func TestYearOfDailyCaptures(t *testing.T) {
	loc := zone(t, "Europe/Berlin")
	want := []struct{ day, why string }{
		{"2025-12-31", "year 2025"},
		{"2026-01-31", "month 2026-01"},
		{"2026-02-28", "month 2026-02"},
		{"2026-03-31", "month 2026-03"},
		{"2026-04-30", "month 2026-04"},
		{"2026-05-31", "month 2026-05"},
		{"2026-06-30", "month 2026-06"},
		{"2026-07-31", "month 2026-07"},
		{"2026-08-31", "month 2026-08"},
		{"2026-09-30", "month 2026-09"},
		{"2026-10-31", "month 2026-10"},
		{"2026-11-30", "month 2026-11"},
		{"2026-12-13", "week 2026-W50"},
		{"2026-12-20", "week 2026-W51"},
		{"2026-12-25", "day 2026-12-25"},
		{"2026-12-26", "day 2026-12-26"},
		{"2026-12-27", "day 2026-12-27, week 2026-W52"},
		{"2026-12-28", "day 2026-12-28"},
		{"2026-12-29", "day 2026-12-29"},
		{"2026-12-30", "day 2026-12-30"},
		{"2026-12-31", "newest, day 2026-12-31, week 2026-W53, month 2026-12, year 2026"},
	}

	var items []rotation.Item
	for day := 0; day <= 365; day++ {
		night := time.Date(2025, 12, 31+day, 2, 3, 0, 0, loc)
		items = append(items, rotation.Item{ID: night.Format("2006-01-02"), Group: group, Taken: night.UTC()})
	}
	rules := rotation.Rules{Days: 7, Weeks: 4, Months: 12, Years: 2}
	now := time.Date(2026, 12, 31, 9, 0, 0, 0, loc)

	var got, wanted []string
	for _, d := range plan(t, items, rules, now, loc) {
		if d.Keep {
			got = append(got, d.ID+" "+d.Why.String())
		}
	}
	for _, w := range want {
		wanted = append(wanted, w.day+" "+w.why)
	}
	if g, w := strings.Join(got, "\n"), strings.Join(wanted, "\n"); g != w {
		t.Errorf("these stay:\n%s\nnot these:\n%s", g, w)
	}
}
