package store

import (
	"errors"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/names"
)

// damagedIn gives the objects that verifying finds damaged.
func (m *machine) damagedIn() (damaged []string) {
	m.t.Helper()
	report, err := m.Verify(m.t.Context(), VerifyOptions{Full: true})
	if err != nil {
		m.t.Fatal(err)
	}
	for _, d := range report.Damage {
		damaged = append(damaged, d.Object)
	}
	return damaged
}

// One copy of what a place has about itself is enough, and repairing puts the other anew; without any, repairing removes
// nothing until it is given up, and all that reads tells of it.
func TestOwnMarks(t *testing.T) {
	settings := names.Settings(0)
	for what, test := range map[string]struct {
		harm func(s *site, place string) (damaged []string)
		lost bool // nothing tells it any more
	}{
		"the place": {func(s *site, place string) []string { s.flip(place, 40); return []string{place} }, false},
		"its copy": {func(s *site, place string) []string {
			s.flip(names.Again(place), 40)
			return []string{names.Again(place)}
		}, false},
		"the place is gone": {func(s *site, place string) []string { s.remove(place); return []string{place} }, false},
		"the settings":      {func(s *site, _ string) []string { s.flip(settings, 100); return []string{settings} }, false},
		"their copy": {func(s *site, _ string) []string {
			s.flip(names.Again(settings), 100)
			return []string{names.Again(settings)}
		}, false},
		"the settings are gone": {func(s *site, _ string) []string { s.remove(settings); return []string{settings} }, false},
		"junk beside them": {func(s *site, _ string) []string {
			more := []string{names.PlaceMark("0000000000000000"), names.Settings(7), names.Again(names.Settings(7))}
			s.junk(more...)
			return more
		}, false},
		"both of the place": {func(s *site, place string) []string {
			s.flip(place, 40)
			s.flip(names.Again(place), 40)
			return []string{place, names.Again(place)}
		}, true},
		"both of the settings": {func(s *site, _ string) []string {
			s.flip(settings, 100)
			s.flip(names.Again(settings), 100)
			return []string{settings, names.Again(settings)}
		}, true},
	} {
		t.Run(what, func(t *testing.T) {
			ctx, a := t.Context(), newSite(t)
			b := a.replica()
			r := b.open("")
			if err := r.SetParity(ctx, 5, MarkOptions{}); err != nil {
				t.Fatal(err)
			}
			r.put("seedbank", text(1, 1000))
			place := r.Place()
			damaged := test.harm(b, names.PlaceMark(place))
			slices.Sort(damaged)
			there := b.open("")
			percent, err := there.Parity(ctx)
			if err != nil {
				t.Fatal(err)
			}
			if known := there.Place() == place && percent == 5; known == test.lost {
				t.Errorf("place %q, parity %d", there.Place(), percent)
			}
			if lost, err := there.LostSettings(ctx); err != nil || (len(lost) > 0) != (percent == 0) {
				t.Errorf("lost settings: %v, %v", lost, err)
			}
			if s, err := there.Status(ctx, StatusOptions{}); err != nil || len(s.Own) != len(damaged) || len(s.Wanted) == 0 || s.Wanted[0].Kind != WantOwn {
				t.Errorf("%+v, %v", s, err)
			}
			if got := there.damagedIn(); !slices.Equal(got, damaged) {
				t.Errorf("%v are damaged, not %v", got, damaged)
			}
			out, err := there.Repair(ctx, RepairOptions{})
			if err != nil || out.Mended() == test.lost {
				t.Errorf("%+v, %v", out, err)
			}
			again := b.open("")
			if !test.lost {
				if percent, _ := again.Parity(ctx); again.Place() != place || percent != 5 {
					t.Errorf("place %q, parity %d after repairing", again.Place(), percent)
				}
				again.wholeInFull()
				return
			}
			if got := again.damagedIn(); !slices.Equal(got, damaged) {
				t.Errorf("repairing made that %v are damaged, not %v", got, damaged)
			}
			if out, err := again.Repair(ctx, RepairOptions{Drop: true}); err != nil || !out.Mended() {
				t.Errorf("%+v, %v", out, err)
			}
			b.open("").wholeInFull()
		})
	}
}

// A place that lost its identity is refused by replicating, and gets it back, or another one.
func TestGivePlace(t *testing.T) {
	for what, given := range map[string]bool{"the one that it had": true, "another one": false} {
		t.Run(what, func(t *testing.T) {
			ctx, a := t.Context(), newSite(t)
			b := a.replica()
			here, before := a.open(""), b.open("")
			c := here.put("seedbank", text(1, 10_000))
			here.replicate(before)
			place := before.Place()
			if _, err := before.GivePlace(ctx, here.Repository, "", MarkOptions{}); !errors.Is(err, ErrBadOptions) {
				t.Errorf("it has an identity: %v", err)
			}
			b.flip(names.PlaceMark(place), 40)
			b.remove(names.Again(names.PlaceMark(place)))
			there := b.open("")
			if _, err := here.Replicate(ctx, there.Repository, ReplicateOptions{}); !errors.Is(err, ErrSamePlace) {
				t.Errorf("copied: %v", err)
			}
			if _, err := there.GivePlace(ctx, there.Repository, "", MarkOptions{}); !errors.Is(err, ErrSamePlace) {
				t.Errorf("of itself: %v", err)
			}
			if _, err := there.GivePlace(ctx, newSite(t).open("").Repository, "", MarkOptions{}); !errors.Is(err, ErrNotReplica) {
				t.Errorf("of a stranger: %v", err)
			}
			if _, err := there.GivePlace(ctx, here.Repository, "../x", MarkOptions{}); !errors.Is(err, ErrBadOptions) {
				t.Errorf("a bad identity: %v", err)
			}
			if got := b.open("").Place(); got != "" {
				t.Fatalf("what failed gave it %q", got)
			}
			want := ""
			if given {
				want = place
			}
			got, err := there.GivePlace(ctx, here.Repository, want, MarkOptions{})
			if err != nil || given != (got == place) {
				t.Fatalf("%q, %v", got, err)
			}
			again := b.open("")
			if again.Place() != got {
				t.Errorf("place %q, not %q", again.Place(), got)
			}
			here.put("seedbank", text(2, 10_000))
			here.replicate(again)
			if string(again.restored(c)) != text(1, 10_000) {
				t.Error("it does not restore")
			}
			if out, err := again.Repair(ctx, RepairOptions{}); err != nil || !out.Mended() {
				t.Errorf("%+v, %v", out, err)
			}
			b.open("").wholeInFull()
		})
	}
}

// A second copy that an earlier release did not put is no damage, and repairing puts it.
func TestOwnMarksOfBefore(t *testing.T) {
	ctx, a := t.Context(), newSite(t)
	b := a.replica()
	r := b.open("")
	if err := r.SetParity(ctx, 5, MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	mark := names.PlaceMark(r.Place())
	for _, name := range []string{mark, names.Settings(0)} {
		b.remove(names.Again(name))
	}
	there := b.open("")
	there.wholeInFull()
	if s, err := there.Status(ctx, StatusOptions{}); err != nil || len(s.Own) > 0 {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := there.Repair(ctx, RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{mark, names.Settings(0)} {
		if string(b.read(names.Again(name))) != string(b.read(name)) {
			t.Errorf("%s has no second copy", name)
		}
	}
}
