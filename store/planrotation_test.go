package store_test

import (
	"context"
	"errors"
	"fmt"
	"log"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/rotation"
	"github.com/kistarchive/kist/store/storage"
)

// dated is a capture as a rotation sees it, by days since the repository was made: a copy of a
// given one with other labels.
func dated(r *fixture, given *store.Capture, id, name, host string, taken, written float64) *store.Capture {
	at := func(days float64) time.Time { return r.Made().Add(time.Duration(days * 24 * float64(time.Hour))) }
	c := *given
	c.ID, c.Name, c.Version, c.Host, c.Taken, c.Written = id, name, "", host, at(taken), at(written)
	return &c
}

// TestPlanRotationOfVersions: the newest of each version stays unless a rule says of how many,
// and one with doubts is not chosen where there is another.
func TestPlanRotationOfVersions(t *testing.T) {
	f := newFixture(t)
	given := f.capture([]byte("bean"))
	version := func(id, version string, day float64, doubts ...store.Doubt) *store.Capture {
		c := dated(f, given, id, "seedbank", "hazel", day, day)
		c.Version, c.Doubts = version, doubts
		return c
	}
	captures := []*store.Capture{
		version("none", "", 1), version("only", "4.0.0", 2), version("older", "4.1.0", 3), version("newer", "4.1.0", 4),
		version("stopped", "4.2.0", 5), version("live", "4.2.0", 6, store.Live),
	}
	for _, test := range []struct {
		rules rotation.Rules
		want  []string
	}{
		{rotation.Rules{Last: 1}, []string{"none: ", "only: version 4.0.0", "older: ", "newer: version 4.1.0", "stopped: sound, version 4.2.0", "live: newest, last 1 of 1"}},
		{rotation.Rules{Versions: 2}, []string{"none: ", "only: ", "older: ", "newer: version 4.1.0", "stopped: sound, version 4.2.0", "live: newest"}},
	} {
		plan, err := f.PlanRotation(captures, store.RotationOptions{Rules: test.rules, Now: f.Made().Add(10 * 24 * time.Hour)})
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, d := range plan.Decisions {
			got = append(got, fmt.Sprint(d.ID, ": ", d.Why))
		}
		if !slices.Equal(got, test.want) {
			t.Errorf("%+v:\n got %q\nwant %q", test.rules, got, test.want)
		}
	}
	if _, err := f.PlanRotation(captures, store.RotationOptions{}); !errors.Is(err, rotation.ErrBadRules) {
		t.Errorf("without rules: %v", err)
	}
}

// TestPlanRotation: captures of each name and host rotate by themselves; what is held,
// retired or dated wrongly is treated as such.
func TestPlanRotation(t *testing.T) {
	f := newFixture(t)
	given := f.capture([]byte("bean"))
	tolerated := store.ClockTolerance.Hours() / 24
	captures := []*store.Capture{
		dated(f, given, "reset", "seedbank", "hazel", -20000, -20000),
		dated(f, given, "imported", "seedbank", "hazel", -600, 1),
		dated(f, given, "slow", "seedbank", "hazel", 0, -tolerated),
		dated(f, given, "other", "seedbank", "alder", 2, 2),
		dated(f, given, "held", "seedbank", "hazel", 3, 3),
		dated(f, given, "retired", "seedbank", "hazel", 4, 4),
		dated(f, given, "newest", "seedbank", "hazel", 5, 5),
		dated(f, given, "soon", "seedbank", "alder", 10+tolerated, 10),
		dated(f, given, "ahead", "seedbank", "hazel", 10.1, 10.1),
		dated(f, given, "orchard", "orchard", "hazel", 1, 1),
	}
	captures[4].Held = true
	captures[5].Retired = &store.Retirement{}
	o := store.RotationOptions{Rules: rotation.Rules{Last: 1}, Now: f.Made().Add(10 * 24 * time.Hour)}
	plan, err := f.PlanRotation(captures, o)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, d := range plan.Decisions {
		got = append(got, fmt.Sprint(d.ID, ": ", d.Why))
	}
	want := []string{
		"orchard: newest, last 1 of 1",
		"other: ", "soon: newest, last 1 of 1",
		"reset: clock", "imported: ", "slow: ", "held: held", "newest: newest, last 1 of 1", "ahead: future",
	}
	if !slices.Equal(got, want) {
		t.Errorf("decisions\n got %q\nwant %q", got, want)
	}
	if ids := plan.Retires(); !slices.Equal(ids, []string{"other", "imported", "slow"}) {
		t.Errorf("%q would be retired", ids)
	}
	warned := []store.RotationWarning{
		{Capture: captures[0], Rule: store.WrongClock, Date: captures[0].Written},
		{Capture: captures[8], Rule: rotation.Future, Date: captures[8].Taken},
	}
	if !slices.Equal(plan.Warnings, warned) {
		t.Errorf("warnings: %+v", plan.Warnings)
	}

	o.Name = "orchard"
	if plan, err = f.PlanRotation(captures, o); err != nil || len(plan.Decisions) != 1 {
		t.Errorf("one name: %+v, %v", plan, err)
	}
	o.Name = "nursery"
	if _, err = f.PlanRotation(captures, o); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a name that there is not: %v", err)
	}
	if _, err = f.PlanRotation(nil, store.RotationOptions{}); !errors.Is(err, rotation.ErrBadRules) {
		t.Errorf("no rules: %v", err)
	}
}

// A tool retires what no rule keeps, after it showed what clocks got wrong.
func ExampleRepository_PlanRotation() {
	ctx := context.Background()
	r, err := store.Create(ctx, storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	for _, taken := range []string{"2026-02-14", "2026-02-28", "2026-03-14", "2226-03-14"} {
		at, _ := time.Parse(time.DateOnly, taken)
		o := store.CaptureOptions{Name: "seedbank", Host: "hazel", Taken: at, Volumes: []store.VolumeInput{{Name: "data", Open: openCatalogue}}}
		if _, err := r.Capture(ctx, o); err != nil {
			log.Fatal(err)
		}
	}

	captures, err := r.Captures(ctx)
	if err != nil {
		log.Fatal(err) // also of damage: what can't be read can't be planned for
	}
	plan, err := r.PlanRotation(captures, store.RotationOptions{Rules: rotation.Rules{Months: 12}})
	if err != nil {
		log.Fatal(err)
	}
	for _, w := range plan.Warnings {
		fmt.Println(w.Capture.Name, "stays by rule", w.Rule+":", w.Date.UTC().Format(time.DateOnly))
	}
	for _, d := range plan.Decisions {
		does := "retires"
		if d.Keep {
			does = "stays: " + d.Why.String()
		}
		fmt.Println(d.Taken.UTC().Format(time.DateOnly), does)
	}
	if err := r.Retire(ctx, plan.Retires(), store.MarkOptions{Host: "hazel"}); err != nil {
		log.Fatal(err)
	}
	// Output:
	// seedbank stays by rule future: 2226-03-14
	// 2026-02-14 retires
	// 2026-02-28 stays: month 2026-02
	// 2026-03-14 stays: newest, month 2026-03
	// 2226-03-14 stays: future
}
