package rotation_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/rotation"
)

// Five years of captures, retired by the rules every evening, leave what one plan
// at the end leaves. It holds for every rule; doc.go says when it can't hold.
func TestFiveYearsOfRotation(t *testing.T) {
	loc := zone(t, "Europe/Berlin")
	for i, rules := range []rotation.Rules{
		{Last: 10},
		{Days: 7},
		{Weeks: 5},
		{Months: 12},
		{Years: 3},
		{Last: 3, Days: 7, Weeks: 4, Months: 12, Years: 10},
	} {
		t.Run(fmt.Sprintf("%+v", rules), func(t *testing.T) {
			random := rand.New(rand.NewPCG(2026, uint64(i)))
			var all, there []rotation.Item
			var evening time.Time
			for day := range 5 * 365 {
				evening = time.Date(2022, 1, 1+day, 22, 0, 0, 0, loc)
				captures := captureOneDay(random, evening, len(all))
				all, there = append(all, captures...), append(there, captures...)
				there = kept(plan(t, there, rules, evening, loc))
			}
			want := kept(plan(t, all, rules, evening, loc))
			if !slices.Equal(there, want) {
				t.Errorf("of %d captures these are left:\n%s\nand planned once:\n%s", len(all), ids(there), ids(want))
			}
			if n := len(want); n < 3 || n > len(all)/5 {
				t.Errorf("%d of %d stay", n, len(all))
			}
		})
	}
}

// captureOneDay makes none to three captures. Some are held, some of old tarballs
// that bring an old date, some of a clock ahead.
func captureOneDay(random *rand.Rand, evening time.Time, id int) []rotation.Item {
	var items []rotation.Item
	for n := range random.IntN(4) {
		taken := evening.Add(-time.Duration(random.IntN(20*60)) * time.Minute)
		switch random.IntN(50) {
		case 0:
			taken = taken.AddDate(0, 0, -random.IntN(900))
		case 1:
			taken = taken.AddDate(0, 0, random.IntN(90))
		}
		items = append(items, rotation.Item{
			ID: fmt.Sprintf("%s-%05d", taken.UTC().Format("20060102t1504z"), id+n), Group: group,
			Taken: taken, Held: random.IntN(200) == 0,
		})
	}
	return items
}

// What a rule no longer wanted is gone: rules that grow later find less than they
// would have kept from the beginning.
func TestRulesThatGrowBringNothingBack(t *testing.T) {
	items := taken(t, "2026-03-09", "2026-03-10", "2026-03-11", "2026-03-12")
	there := kept(plan(t, items, rotation.Rules{Days: 1}, later, nil))
	if got, want := ids(kept(plan(t, there, rotation.Rules{Days: 3}, later, nil))), "2026-03-12"; got != want {
		t.Errorf("%s stay, not %s", got, want)
	}
}
