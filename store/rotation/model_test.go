package rotation_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/store/rotation"
)

// The times drawn lie around these: turns of the year, clocks that change, days
// that are short, long, left out or come back.
var around = []string{
	"2020-12-31", "2018-12-31", "2024-02-29", "2026-03-29", "2026-10-25", "2018-11-04", "2011-12-30", "2010-11-07T02:31",
}

var zones = []string{
	"UTC", "Europe/Berlin", "America/New_York", "America/Sao_Paulo", "Africa/Cairo", "Pacific/Apia", "America/St_Johns", "Asia/Kathmandu",
}

// scene is all that Plan is given.
type scene struct {
	items []rotation.Item
	rules rotation.Rules
	now   time.Time
	loc   *time.Location
}

func (s scene) plan(t testing.TB, items []rotation.Item) []rotation.Decision {
	t.Helper()
	return plan(t, items, s.rules, s.now, s.loc)
}

func drawScene(rt *rapid.T, loc map[string]*time.Location, base map[string]time.Time) scene {
	// Steps of half an hour, half a day or five days: many captures in one day,
	// or in one week, or few in a month. Small numbers make ties.
	step := rapid.SampledFrom([]time.Duration{30 * time.Minute, 12 * time.Hour, 5*24*time.Hour + time.Hour, 100 * 24 * time.Hour}).Draw(rt, "step")
	start := base[rapid.SampledFrom(around).Draw(rt, "around")]
	s := scene{loc: loc[rapid.SampledFrom(zones).Draw(rt, "zone")], rules: drawRules(rt)}
	moment := rapid.Custom(func(rt *rapid.T) time.Time {
		return start.Add(time.Duration(rapid.IntRange(-30, 30).Draw(rt, "steps")) * step)
	})
	s.now = moment.Draw(rt, "now")
	if rapid.Bool().Draw(rt, "all past") {
		s.now = later
	}
	for i := range rapid.IntRange(0, 40).Draw(rt, "captures") {
		s.items = append(s.items, rotation.Item{
			ID:    fmt.Sprintf("%02d", (i*37)%100), // 37: not in the order of making
			Group: rapid.SampledFrom([]string{"seedbank on hazel", "seedbank on alder"}).Draw(rt, "group"),
			Taken: moment.Draw(rt, "taken"),
			Held:  rapid.IntRange(0, 7).Draw(rt, "held") == 7,

			Version: rapid.SampledFrom([]string{"", "4.0.0", "4.1.0", "4.2.0"}).Draw(rt, "version"),
		})
	}
	return s
}

func drawRules(rt *rapid.T) rotation.Rules {
	few := rapid.IntRange(0, 5)
	r := rotation.Rules{
		Last: few.Draw(rt, "last"), Days: few.Draw(rt, "days"), Weeks: few.Draw(rt, "weeks"),
		Months: few.Draw(rt, "months"), Years: few.Draw(rt, "years"),
		Versions: few.Draw(rt, "versions"),
	}
	if r == (rotation.Rules{}) {
		r.Last = 1
	}
	return r
}

// checkScenes draws scenes for property, which must hold for all.
func checkScenes(t *testing.T, property func(*rapid.T, scene)) {
	t.Helper()
	locations, bases := make(map[string]*time.Location), make(map[string]time.Time)
	for _, z := range zones {
		locations[z] = zone(t, z)
	}
	for _, a := range around {
		bases[a] = at(t, a)
	}
	rapid.Check(t, func(rt *rapid.T) { property(rt, drawScene(rt, locations, bases)) })
}

// withDoubts makes some of the captures doubtful.
func (s scene) withDoubts(rt *rapid.T) scene {
	s.items = slices.Clone(s.items)
	for i := range s.items {
		s.items[i].Doubtful = rapid.IntRange(0, 2).Draw(rt, "doubtful") == 2
	}
	return s
}

func TestPlanIsTheModels(t *testing.T) {
	checkScenes(t, func(rt *rapid.T, s scene) {
		s = s.withDoubts(rt)
		for _, d := range s.plan(t, s.items) {
			if want := s.model(d.Item); !slices.Equal(d.Why, want) {
				rt.Fatalf("%s taken %s: %+v; the model says %+v", d.ID, d.Taken.In(s.loc), []rotation.Reason(d.Why), []rotation.Reason(want))
			}
		}
	})
}

// model says what Plan must say of one item, from the definition alone and as
// slowly as can be: no sorting, no counting on, no week of the standard library.
func (s scene) model(item rotation.Item) (why rotation.Reasons) {
	if item.Held {
		why = append(why, rotation.Reason{Rule: rotation.Held})
	}
	if item.Taken.After(s.now) {
		return append(why, rotation.Reason{Rule: rotation.Future})
	}
	newer, sound := 0, 0
	for _, other := range s.items {
		if s.newer(other, item) {
			newer++
			if !other.Doubtful {
				sound++
			}
		}
	}
	if newer == 0 {
		why = append(why, rotation.Reason{Rule: rotation.Newest})
	} else if sound == 0 && !item.Doubtful {
		why = append(why, rotation.Reason{Rule: rotation.Sound})
	}
	if n := s.rules.Last; newer < n {
		why = append(why, rotation.Reason{Rule: rotation.Last, Place: newer + 1, Of: n})
	}
	for _, rule := range []struct {
		rule rotation.Rule
		n    int
		of   func(rotation.Item) string
	}{
		{rotation.Day, s.rules.Days, s.dated(dayOf)}, {rotation.Week, s.rules.Weeks, s.dated(weekOf)},
		{rotation.Month, s.rules.Months, s.dated(monthOf)}, {rotation.Year, s.rules.Years, s.dated(yearOf)},
		{rotation.OfVersion, s.rules.Versions, func(i rotation.Item) string { return i.Version }},
	} {
		mine := rule.of(item)
		newest, beaten := item, mine == ""
		for _, other := range s.items {
			if rule.of(other) != mine {
				continue
			}
			if s.newer(other, newest) {
				newest = other
			}
			if s.newer(other, item) && (item.Doubtful || !other.Doubtful) || s.newer(item, other) && item.Doubtful && !other.Doubtful {
				beaten = true
			}
		}
		newer := make(map[string]bool)
		for _, other := range s.items {
			if period := rule.of(other); s.newer(other, newest) && period != "" {
				newer[period] = true
			}
		}
		if !beaten && len(newer) < rule.n {
			why = append(why, rotation.Reason{Rule: rule.rule, Period: mine, Place: len(newer) + 1, Of: rule.n})
		}
	}
	return why
}

func (s scene) dated(period func(time.Time) string) func(rotation.Item) string {
	return func(i rotation.Item) string { return period(i.Taken.In(s.loc)) }
}

// newer says whether a is of b's group, not of the future, and newer.
func (s scene) newer(a, b rotation.Item) bool {
	return a.Group == b.Group && !a.Taken.After(s.now) &&
		(a.Taken.After(b.Taken) || a.Taken.Equal(b.Taken) && a.ID > b.ID)
}

func dayOf(t time.Time) string {
	year, month, day := t.Date()
	return fmt.Sprintf("%04d-%02d-%02d", year, int(month), day)
}

// A week is that of its Thursday, counted from the first of January.
func weekOf(t time.Time) string {
	year, month, day := t.Date()
	noon := time.Date(year, month, day, 12, 0, 0, 0, time.UTC)
	for noon.Weekday() != time.Monday {
		noon = noon.AddDate(0, 0, -1)
	}
	thursday := noon.AddDate(0, 0, 3)
	return fmt.Sprintf("%04d-W%02d", thursday.Year(), (thursday.YearDay()+6)/7)
}

func monthOf(t time.Time) string { return fmt.Sprintf("%04d-%02d", t.Year(), int(t.Month())) }

func yearOf(t time.Time) string { return fmt.Sprintf("%04d", t.Year()) }

func TestInvariants(t *testing.T) {
	checkScenes(t, func(rt *rapid.T, s scene) {
		decisions := s.plan(t, s.items)
		type count struct {
			group string
			rule  rotation.Rule
		}
		counts, newest := make(map[count]int), make(map[string]rotation.Item)
		for _, d := range decisions {
			if d.Held && !d.Keep {
				rt.Fatalf("held %s is retired", d.ID)
			}
			if d.Taken.After(s.now) && !d.Keep {
				rt.Fatalf("%s of the future is retired", d.ID)
			}
			for _, r := range d.Why {
				counts[count{d.Group, r.Rule}]++
			}
			if n, ok := newest[d.Group]; !d.Taken.After(s.now) && (!ok || s.newer(d.Item, n)) {
				newest[d.Group] = d.Item
			}
		}
		stay := kept(decisions)
		for _, n := range newest {
			if !slices.Contains(stay, n) {
				rt.Fatalf("%s, the newest of its group, is retired", n.ID)
			}
		}
		limits := map[rotation.Rule]int{
			rotation.Newest: 1, rotation.Last: s.rules.Last, rotation.Day: s.rules.Days, rotation.Week: s.rules.Weeks,
			rotation.Month: s.rules.Months, rotation.Year: s.rules.Years, rotation.OfVersion: s.rules.Versions,
		}
		for c, n := range counts {
			if limit, ok := limits[c.rule]; ok && n > limit {
				rt.Fatalf("rule %q keeps %d, not %d at most", c.rule, n, limit)
			}
		}
		if again := kept(s.plan(t, stay)); !slices.Equal(again, stay) {
			rt.Fatalf("planned again, %s stay of %s", ids(again), ids(stay))
		}
	})
}

func TestOrderOfItemsDoesNotMatter(t *testing.T) {
	checkScenes(t, func(rt *rapid.T, s scene) {
		s = s.withDoubts(rt)
		want := make(map[string]string)
		for _, d := range s.plan(t, s.items) {
			want[d.ID] = d.Why.String()
		}
		for _, d := range s.plan(t, rapid.Permutation(s.items).Draw(rt, "order")) {
			if d.Why.String() != want[d.ID] {
				rt.Fatalf("%s: %q, and in another order %q", d.ID, want[d.ID], d.Why.String())
			}
		}
	})
}

func TestMoreRulesRetireNoMore(t *testing.T) {
	checkScenes(t, func(rt *rapid.T, s scene) {
		s = s.withDoubts(rt)
		stay := kept(s.plan(t, s.items))
		more := drawRules(rt)
		s.rules = rotation.Rules{
			Last: s.rules.Last + more.Last, Days: s.rules.Days + more.Days, Weeks: s.rules.Weeks + more.Weeks,
			Months: s.rules.Months + more.Months, Years: s.rules.Years + more.Years, Versions: s.rules.Versions + more.Versions,
		}
		all := kept(s.plan(t, s.items))
		for _, item := range stay {
			if !slices.Contains(all, item) {
				rt.Fatalf("%s stays, but not by the greater rules %+v", item.ID, s.rules)
			}
		}
	})
}

// Other holds, and more captures of the future, change nothing for a capture.
func TestOthersAreLeftAlone(t *testing.T) {
	checkScenes(t, func(rt *rapid.T, s scene) {
		before := s.plan(t, s.items)
		changed := slices.Clone(s.items)
		for i := range changed {
			changed[i].Held = rapid.Bool().Draw(rt, "hold")
		}
		for i := range rapid.IntRange(0, 5).Draw(rt, "of the future") {
			changed = append(changed, rotation.Item{ID: fmt.Sprint("future ", i), Group: group, Taken: s.now.Add(1)})
		}
		for i, d := range s.plan(t, changed)[:len(before)] {
			if got, want := unheld(d), unheld(before[i]); !slices.Equal(got, want) {
				rt.Fatalf("%s: %v, not %v", d.ID, got, want)
			}
		}
	})
}

func unheld(d rotation.Decision) rotation.Reasons {
	if d.Held {
		return d.Why[1:]
	}
	return d.Why
}

// It does not matter when a rotation runs, nor in which order captures arrive.
func TestRetiringOnTheWayIsTheSame(t *testing.T) {
	checkScenes(t, func(rt *rapid.T, s scene) {
		once := kept(s.plan(t, s.items))
		var there []rotation.Item
		earlier := s
		for _, item := range s.items {
			there = append(there, item)
			if rapid.Bool().Draw(rt, "run") {
				// At any time, but not after the last run's.
				earlier.now = s.now.Add(-time.Duration(rapid.IntRange(0, 3).Draw(rt, "days before")) * 24 * time.Hour)
				there = kept(earlier.plan(t, there))
			}
		}
		if got := kept(s.plan(t, there)); !slices.Equal(got, once) {
			rt.Fatalf("%s stay, and planned once %s", ids(got), ids(once))
		}
	})
}
