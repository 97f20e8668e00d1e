package store_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
)

func (f *fixture) status(o store.StatusOptions) *store.Status {
	f.t.Helper()
	s, err := f.Status(f.t.Context(), o)
	if err != nil {
		f.t.Fatal(err)
	}
	return s
}

// captureOf captures members under a name and host, as taken at a time.
func (f *fixture) captureOf(name, host string, taken time.Time, members int) *store.Capture {
	f.t.Helper()
	var files []file
	for i := range members {
		files = append(files, file{name: fmt.Sprintf("lot-%d", i), content: []byte("bean")})
	}
	c, err := f.Capture(f.t.Context(), store.CaptureOptions{Name: name, Host: host, Taken: taken, Volumes: []store.VolumeInput{stream(tarOf(f.t, files...))}})
	if err != nil {
		f.t.Fatal(err)
	}
	return c
}

func kindsOf(s *store.Status) (kinds []string) {
	for _, w := range s.Wanted {
		text := string(w.Kind)
		if w.Service != nil {
			text += " " + w.Service.Name + "/" + w.Service.Host
		}
		kinds = append(kinds, text)
	}
	return kinds
}

func expectKinds(t *testing.T, s *store.Status, want ...string) {
	t.Helper()
	if got := kindsOf(s); !slices.Equal(got, want) {
		t.Errorf("wanted: %q, not %q", got, want)
	}
}

var noon = time.Date(2026, 3, 14, 12, 0, 0, 0, time.UTC)

func TestStatus(t *testing.T) {
	f := newFixture(t)
	expectKinds(t, f.status(store.StatusOptions{Now: noon}), "none")
	f.captureOf("seedbank", "hazel", noon.Add(-49*time.Hour), 10)
	last := f.captureOf("seedbank", "hazel", noon.Add(-25*time.Hour), 10)
	alone := f.captureOf("mill", "hazel", noon.Add(-400*24*time.Hour), 1)
	f.captureOf("seedbank", "rowan", noon.Add(-time.Hour), 9)
	shrunk := f.captureOf("seedbank", "rowan", noon.Add(-time.Minute), 4)
	o := store.StatusOptions{Now: noon}
	s := f.status(o)
	expectKinds(t, s, "shrunk seedbank/rowan")
	if len(s.Services) != 3 || s.Services[0].Name != "mill" || s.Services[1].Host != "hazel" || s.Services[2].Last.ID != shrunk.ID {
		t.Fatalf("%+v", s.Services)
	}
	if one := s.Services[1]; one.Last.ID != last.ID || one.Age != 25*time.Hour || one.Captures != 2 || one.Before == nil || one.Shrunk != nil {
		t.Errorf("%+v", one)
	}
	if lost := s.Services[2].Shrunk; len(lost) != 1 || lost[0].MembersBefore != 9 || lost[0].Members != 4 || !lost[0].FewMembers() {
		t.Errorf("%+v", lost)
	}
	if s.Stored != f.stored() {
		t.Errorf("stored: %d, not %d", s.Stored, f.stored())
	}

	// A name with nothing new for long is not hidden.
	o.OlderThan = 25 * time.Hour
	expectKinds(t, f.status(o), "old mill/hazel", "shrunk seedbank/rowan")
	o.OlderThan--
	expectKinds(t, f.status(o), "old mill/hazel", "old seedbank/hazel", "shrunk seedbank/rowan")
	o.Name, o.Host = "seedbank", "hazel"
	expectKinds(t, f.status(o), "old seedbank/hazel")

	// Rehearsals: the latest counts, and one of the future only where it failed.
	o = store.StatusOptions{Now: noon, Name: "mill"}
	f.note(alone.ID, store.Rehearsal{Outcome: store.RehearsedUp, At: noon.Add(48 * time.Hour)})
	if s := f.status(o); s.Services[0].Rehearsed != nil {
		t.Errorf("%+v", s.Services[0].Rehearsed.Rehearsed)
	}
	f.note(alone.ID, store.Rehearsal{Outcome: store.RehearsedHarmed, At: noon.Add(48 * time.Hour)})
	expectKinds(t, f.status(o), "rehearsal mill/hazel")

	// Of what was retired on purpose nothing is wanted, and it is told.
	f.retire(alone)
	s = f.status(store.StatusOptions{Now: noon, OlderThan: 26 * time.Hour})
	expectKinds(t, s, "shrunk seedbank/rowan")
	if one := s.Services[0]; one.Name != "mill" || one.Captures != 0 || one.Retired != 1 || one.Last != nil || len(s.Retired) != 1 {
		t.Errorf("%+v", one)
	}
	if err := f.Hold(t.Context(), []string{last.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	if s := f.status(store.StatusOptions{Now: noon}); len(s.Held) != 1 || s.Services[1].Held != 1 {
		t.Errorf("%+v", s.Held)
	}
	if _, err := f.Status(t.Context(), store.StatusOptions{OlderThan: -1}); !errors.Is(err, store.ErrBadOptions) {
		t.Errorf("an age below 0: %v", err)
	}
}

// Of a capture whose index file is damaged, and of one that vanished, the status tells.
func TestStatusOfDamage(t *testing.T) {
	f := newFixture(t)
	first := f.captureOf("seedbank", "hazel", noon.Add(-2*time.Hour), 3)
	second := f.captureOf("seedbank", "hazel", noon.Add(-time.Hour), 3)
	f.captureOf("mill", "hazel", noon.Add(-time.Hour), 3)
	f.spoil(second)
	s := f.status(store.StatusOptions{Now: noon})
	expectKinds(t, s, "damage")
	if !slices.Equal(s.Unread, []string{second.ID}) || len(s.Missing) != 0 {
		t.Errorf("%q, %q", s.Unread, s.Missing)
	}
	f.lose(first)
	s = f.status(store.StatusOptions{Now: noon})
	expectKinds(t, s, "damage", "missing")
	if !slices.Equal(s.Missing, []string{first.ID}) {
		t.Errorf("%q", s.Missing)
	}
	if !s.Wanted[0].Kind.Damage() || !s.Wanted[1].Kind.Damage() || store.WantNewCapture.Damage() {
		t.Error("what is damage, and what is none, is mixed up")
	}
}

// TestStatusToAStranger: a machine that never saw the repository misses what later captures name, and what marks are
// about, though it is the last.
func TestStatusToAStranger(t *testing.T) {
	f := newFixture(t)
	first := f.captureOf("seedbank", "hazel", noon.Add(-3*time.Hour), 3)
	f.captureOf("seedbank", "hazel", noon.Add(-2*time.Hour), 3)
	last := f.captureOf("seedbank", "hazel", noon.Add(-time.Hour), 3)
	if err := f.Hold(t.Context(), []string{last.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	for _, gone := range []*store.Capture{last, first} {
		f.lose(gone)
		f.reopen() // and nothing is kept of what was seen before
		if s := f.status(store.StatusOptions{Now: noon}); !slices.Contains(s.Missing, gone.ID) {
			t.Errorf("%s is not missed: %q", gone.ID, s.Missing)
		}
	}
}

// TestStatusAfterReclaim: what went on purpose is not missed.
func TestStatusAfterReclaim(t *testing.T) {
	f := newFixture(t)
	gone := f.captureOf("seedbank", "hazel", noon.Add(-2*time.Hour), 3)
	f.captureOf("seedbank", "hazel", noon.Add(-time.Hour), 3)
	f.retire(gone)
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace})
	expectKinds(t, f.status(store.StatusOptions{Now: noon}))
}

// TestStatusOfJumpingClocks: whatever the clock of a machine, nothing dated after now is fresh, and nothing is said
// to be well by it.
func TestStatusOfJumpingClocks(t *testing.T) {
	f := newFixture(t)
	for day := range 10 {
		f.captureOf("seedbank", "hazel", noon.AddDate(0, 0, day), 3)
	}
	f.keep(store.VerifyOptions{Full: true}) // by the real clock, which is later than all of these
	verified := f.kept()[0].At
	for hours := -24 * 30; hours <= 24*30; hours += 5 {
		now := noon.Add(time.Duration(hours) * time.Hour)
		s := f.status(store.StatusOptions{Now: now, OlderThan: 26 * time.Hour})
		one := &s.Services[0]
		switch {
		case one.Last != nil && one.Last.Taken.After(now.Add(store.ClockTolerance)):
			t.Fatalf("at %s the last capture is of %s", now, one.Last.Taken)
		case one.Age < 0:
			t.Fatalf("at %s its age is %s", now, one.Age)
		case s.Verified != nil && verified.After(now.Add(store.ClockTolerance)):
			t.Fatalf("at %s it was verified at %s", now, s.Verified.At)
		case now.Before(noon.AddDate(0, 0, 9).Add(-store.ClockTolerance)) && len(s.Wanted) == 0:
			t.Fatalf("at %s all is well, with %d captures of the future", now, len(one.Future))
		case now.After(noon.AddDate(0, 0, 9).Add(26*time.Hour)) && len(s.Wanted) == 0:
			t.Fatalf("at %s all is well, with a capture %s old", now, one.Age)
		}
		if ahead := verified.Sub(now) > store.ClockTolerance; ahead != (s.Ahead > 0) {
			t.Fatalf("at %s the medium is %s ahead", now, s.Ahead)
		}
	}
	if s := f.status(store.StatusOptions{Now: verified.Add(time.Hour)}); s.Verified == nil || s.Full == nil {
		t.Errorf("%+v", s)
	}
	// Clocks that differ by some minutes are no reason to worry.
	s := f.status(store.StatusOptions{Now: noon.AddDate(0, 0, 9).Add(-5 * time.Minute), OlderThan: time.Hour})
	if len(s.Wanted) != 0 || s.Services[0].Age != 0 {
		t.Errorf("%q, %s", kindsOf(s), s.Services[0].Age)
	}
}

// TestStatusVerified: a verification of some captures says nothing of the others, so it is not the latest of all; nor does
// it take the place of one that was of all.
func TestStatusVerified(t *testing.T) {
	f := newFixture(t)
	c := f.captureOf("seedbank", "hazel", noon, 3)
	f.captureOf("seedbank", "hazel", noon.Add(time.Hour), 4)
	some := store.VerifyOptions{Captures: []string{c.ID}, Full: true}
	for _, step := range []struct {
		o    store.VerifyOptions
		kept bool // one of all
	}{
		{some, false}, {store.VerifyOptions{Full: true}, true}, {some, true},
	} {
		f.keep(step.o)
		s := f.status(store.StatusOptions{})
		if (s.Verified != nil) != step.kept || (s.Full != nil) != step.kept || step.kept && (s.Verified.Some || s.Full.Some) {
			t.Errorf("after %+v: verified %+v, in full %+v", step.o, s.Verified, s.Full)
		}
	}
}
