package store_test

import (
	"cmp"
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

func TestPairVolumes(t *testing.T) {
	of := func(names string) *store.Capture {
		c := &store.Capture{}
		for name := range strings.FieldsSeq(names) {
			c.Volumes = append(c.Volumes, store.Volume{Name: name})
		}
		return c
	}
	for _, c := range []struct {
		was, is *store.Capture
		want    string
	}{
		{of("data"), of("data"), "data=data"},
		{of("data"), of("beds"), "data=beds"},
		{of("data beds"), of("beds"), "beds=beds data=-"},
		{of("data"), of("beds seeds"), "-=beds -=seeds data=-"},
		{of("a b c"), of("c x a"), "c=c -=x a=a b=-"},
		{of(""), of("data"), "-=data"},
		{of("data"), of(""), "data=-"},
		{nil, of("data"), "-=data"},
		{of("data"), nil, "data=-"},
		{nil, nil, ""},
	} {
		var got []string
		for _, p := range store.PairVolumes(c.was, c.is) {
			was, is := "-", "-"
			if p.Was != nil {
				was = p.Was.Name
			}
			if p.Is != nil {
				is = p.Is.Name
			}
			if p.Was != nil && !slices.ContainsFunc(c.was.Volumes, func(v store.Volume) bool { return v.Name == was }) {
				t.Errorf("%s is of the other capture", was)
			}
			if !p.Named(strings.Trim(was+is, "-")) && !(p.Named(was) && p.Named(is)) || p.Named("another") {
				t.Errorf("%s=%s: that is not how it is called", was, is)
			}
			got = append(got, was+"="+is)
		}
		if text := strings.Join(got, " "); text != c.want {
			t.Errorf("%q, not %q", text, c.want)
		}
	}
}

// TestLatestPairs: of each name and host the last two that count, the latest first.
func TestLatestPairs(t *testing.T) {
	now := time.Date(2026, time.March, 14, 2, 3, 0, 0, time.UTC)
	one := func(id, name, host string, daysAgo int) *store.Capture {
		return &store.Capture{ID: id, Name: name, Host: host, Taken: now.AddDate(0, 0, -daysAgo)}
	}
	retired := one("retired", "seedbank", "hazel", 1)
	retired.Retired = &store.Retirement{}
	captures := []*store.Capture{
		one("new", "seedbank", "hazel", 2), one("old", "seedbank", "hazel", 9), one("older", "seedbank", "hazel", 20), retired,
		one("ahead", "seedbank", "hazel", -1),
		one("one", "seedbank", "mill", 0),
		one("second", "dump", "hazel", 0), one("first", "dump", "hazel", 30),
		nil,
	}
	want := "first-second old-new"
	for n := range 20 {
		rng := rand.New(rand.NewPCG(uint64(n), 7))
		rng.Shuffle(len(captures), func(i, j int) { captures[i], captures[j] = captures[j], captures[i] })
		var got []string
		for _, p := range store.LatestPairs(captures, now) {
			got = append(got, p.Was.ID+"-"+p.Is.ID)
		}
		if text := strings.Join(got, " "); text != want {
			t.Fatalf("%q, not %q", text, want)
		}
	}
}

// TestSummarize holds sums and the biggest differences against all of them sorted.
func TestSummarize(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 14))
	for n := range 60 {
		var all []store.Difference
		var totals store.DifferenceTotals
		for i := range n {
			d := store.Difference{Path: fmt.Sprint(i), Bytes: rng.Int64N(20)}
			if rng.IntN(3) > 0 {
				d.Is = &store.Member{}
			}
			if d.Is == nil || rng.IntN(2) == 0 {
				d.Was = &store.Member{}
			}
			totals.Add(d)
			all = append(all, d)
		}
		if totals.Members() != n {
			t.Fatalf("%d of %d members: %+v", totals.Members(), n, totals)
		}
		most := rng.IntN(12)
		for _, failure := range []error{nil, errWeevils} {
			got, err := store.Summarize(differences(all, failure), most)
			want := slices.Clone(all)
			slices.SortStableFunc(want, func(a, b store.Difference) int { return cmp.Compare(b.Bytes, a.Bytes) })
			same := func(a, b store.Difference) bool { return a.Path == b.Path }
			if !errors.Is(err, failure) || got.Totals != totals || !slices.EqualFunc(got.Biggest, want[:min(most, n)], same) {
				t.Fatalf("%d of %d: %+v, %v", most, n, got, err)
			}
		}
	}
	if got, err := store.Summarize(differences([]store.Difference{{}}, nil), -1); err != nil || len(got.Biggest) != 0 || got.Totals.Members() != 1 {
		t.Errorf("%+v, %v", got, err)
	}
}

// differences gives differences, and an error behind them if it is set.
func differences(all []store.Difference, failure error) iter.Seq2[store.Difference, error] {
	return func(yield func(store.Difference, error) bool) {
		for _, d := range all {
			if !yield(d, nil) {
				return
			}
		}
		if failure != nil {
			yield(store.Difference{}, failure)
		}
	}
}
