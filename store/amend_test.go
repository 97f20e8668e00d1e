package store_test

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

func text(s string) *string { return &s }

// amend amends a capture, and reads it again as another machine would.
func (f *fixture) amend(id string, o store.AmendOptions) *store.Capture {
	f.t.Helper()
	given, err := f.Amend(f.t.Context(), id, o)
	if err != nil {
		f.t.Fatal(err)
	}
	r, err := store.Open(f.t.Context(), f.mem, f.key, store.OpenOptions{})
	if err != nil {
		f.t.Fatal(err)
	}
	defer r.Close()
	read, err := r.Find(f.t.Context(), id)
	if err != nil {
		f.t.Fatal(err)
	}
	if given.Version != read.Version || given.Held != read.Held || given.Note != read.Note || !given.Taken.Equal(read.Taken) || !maps.Equal(given.Labels, read.Labels) {
		f.t.Errorf("given %+v, and read again %+v", given, read)
	}
	return read
}

func TestAmend(t *testing.T) {
	f := newFixture(t)
	first, err := f.Capture(t.Context(), store.CaptureOptions{
		Name: "seedbank", Version: "4.0.1", Note: "before", Host: "hazel", Labels: map[string]string{"site": "mill", "shelf": "3"},
		Taken: time.Date(2062, 3, 14, 2, 3, 0, 0, time.UTC), Volumes: []store.VolumeInput{stream([]byte("bean"))},
	})
	if err != nil {
		t.Fatal(err)
	}
	other := f.captureTaken("seedbank", time.Date(2026, 3, 10, 0, 0, 0, 0, time.UTC))
	f.Hold(t.Context(), []string{first.ID}, store.MarkOptions{})

	got := f.amend(first.ID, store.AmendOptions{Version: text("4.1.0"), Host: "alder"})
	if got.Version != "4.1.0" || got.Note != "before" || !got.Taken.Equal(first.Taken) || !got.Held || !maps.Equal(got.Labels, first.Labels) {
		t.Errorf("%+v", got)
	}
	if a := got.Amended; a == nil || a.Host != "alder" || a.At.IsZero() || a.Version == nil || *a.Version != "4.0.1" || a.Note != nil || a.Taken != nil || a.Labels {
		t.Errorf("amended: %+v", a)
	}
	at := time.Date(2026, 3, 14, 2, 3, 0, 0, time.FixedZone("", 3600))
	got = f.amend(first.ID, store.AmendOptions{Taken: at, Note: text(""), Labels: map[string]string{"site": "barn", "new": ""}, RemoveLabels: []string{"shelf", "absent"}})
	if got.ID != first.ID || got.Version != "4.1.0" || got.Note != "" || !got.Taken.Equal(at) || !maps.Equal(got.Labels, map[string]string{"site": "barn", "new": ""}) {
		t.Errorf("%+v", got)
	}
	if a := got.Amended; *a.Version != "4.0.1" || *a.Note != "before" || !a.Taken.Equal(first.Taken) || !a.Labels {
		t.Errorf("amended: %+v", a)
	}
	// What was amended is found, sorted and planned by.
	if c, err := f.Find(t.Context(), "seedbank@4.1.0"); err != nil || c.ID != first.ID {
		t.Errorf("by its version: %v, %v", c, err)
	}
	all, err := f.Captures(t.Context())
	if err != nil || len(all) != 2 || all[0].ID != other.ID || all[1].ID != first.ID {
		t.Errorf("%v, %v", all, err)
	}
	f.amend(other.ID, store.AmendOptions{Taken: at.Add(time.Hour)})
	if all, err = f.Captures(t.Context()); err != nil || all[0].ID != first.ID {
		t.Errorf("sorted by what was recorded first: %v, %v", all, err)
	}

	// As it was first recorded: nothing is amended any more. And what is as it should be is left.
	got = f.amend(first.ID, store.AmendOptions{Version: text("4.0.1"), Note: text("before"), Taken: first.Taken, Labels: first.Labels, RemoveLabels: []string{"new"}})
	if got.Amended != nil || got.Version != "4.0.1" || !maps.Equal(got.Labels, first.Labels) {
		t.Errorf("%+v, amended %+v", got, got.Amended)
	}
	before := slices.Sorted(maps.Keys(objects(t, f.mem)))
	f.amend(first.ID, store.AmendOptions{Version: text("4.0.1"), RemoveLabels: []string{"absent"}})
	if now := slices.Sorted(maps.Keys(objects(t, f.mem))); !slices.Equal(now, before) {
		t.Errorf("nothing was to change, and %q became %q", before, now)
	}
}

func TestAmendErrors(t *testing.T) {
	f := newFixture(t)
	c, retired := f.capture([]byte("bean")), f.capture([]byte("pea"))
	f.retire(retired)
	many := make(map[string]string)
	for i := range 1001 {
		many[strings.Repeat("x", i+1)] = ""
	}
	for name, test := range map[string]struct {
		id   string
		o    store.AmendOptions
		want error
	}{
		"nothing":           {c.ID, store.AmendOptions{Host: "hazel"}, store.ErrBadOptions},
		"no text":           {c.ID, store.AmendOptions{Note: text("caf\xe9")}, store.ErrBadOptions},
		"a label too long":  {c.ID, store.AmendOptions{Labels: map[string]string{"a": strings.Repeat("x", store.MaxLabel+1)}}, store.ErrBadOptions},
		"both ways":         {c.ID, store.AmendOptions{Labels: map[string]string{"a": ""}, RemoveLabels: []string{"a"}}, store.ErrBadOptions},
		"many labels":       {c.ID, store.AmendOptions{Labels: many}, store.ErrBadOptions},
		"the year 10000":    {c.ID, store.AmendOptions{Taken: time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC)}, store.ErrBadOptions},
		"none":              {"20260314t0203z-k7f3", store.AmendOptions{Note: text("x")}, store.ErrNotFound},
		"a retired capture": {retired.ID, store.AmendOptions{Note: text("x")}, store.ErrRetired},
	} {
		if got, err := f.Amend(t.Context(), test.id, test.o); !errors.Is(err, test.want) || got != nil {
			t.Errorf("%s: %v, %v, not %v", name, got, err, test.want)
		}
	}
	if got := mustFind(f, c.ID); got.Amended != nil {
		t.Errorf("amended all the same: %+v", got.Amended)
	}
}

// TestAmendKeepsHistory: to whoever knows the capture, here, on another machine, by a head or by
// the capture after it, an amended one is no other one; neither to a reader of before.
func TestAmendKeepsHistory(t *testing.T) {
	f := newFixture(t)
	states := []string{t.TempDir(), t.TempDir()}
	open := func(state string) (*store.Repository, *[]error) {
		var warned []error
		r, err := store.Open(t.Context(), f.mem, f.key, store.OpenOptions{State: state, Warn: func(err error) { warned = append(warned, err) }})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { r.Close() })
		return r, &warned
	}
	maker, _ := open(states[0])
	var ids []string
	for i := range 3 {
		c, err := captureWith(t.Context(), maker, random(1, 300_000)[i*30_000:])
		if err != nil {
			t.Fatal(err)
		}
		ids = append(ids, c.ID)
	}
	seer, _ := open(states[1])
	if _, err := seer.Captures(t.Context()); err != nil {
		t.Fatal(err)
	}
	head, err := maker.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range ids[1:] {
		f.amend(id, store.AmendOptions{Version: text("4.1.0"), Taken: time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC), Labels: map[string]string{"a": "b"}})
	}
	for _, state := range states {
		r, warned := open(state)
		report, err := r.Verify(t.Context(), store.VerifyOptions{Full: true, Head: head})
		if err != nil || !report.OK || len(*warned) > 0 {
			t.Errorf("%+v, %v, warned of %v", report, err, *warned)
		}
	}
	if now, err := maker.Head(t.Context()); err != nil || !slices.Equal(now, head) {
		t.Errorf("head %q was %q, %v", now, head, err)
	}
	if links, err := secondOf(t, f).checkChains(); err != nil || links < 2 {
		t.Errorf("the second reader: %d links, %v", links, err)
	}

	// Moving keeps what was amended.
	f.retire(mustFind(f, ids[0]))
	if _, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.01}); err != nil {
		t.Fatal(err)
	}
	if _, ok := objects(t, f.mem)["captures/"+ids[1]+".2"]; !ok {
		t.Error("nothing was moved: this tests little")
	}
	if c := mustFind(f, ids[1]); c.Version != "4.1.0" || c.Amended == nil {
		t.Errorf("moved: %+v", c)
	}
}

// TestSecondReaderOfAmendments reads field 13 by the page.
func TestSecondReaderOfAmendments(t *testing.T) {
	f := newFixture(t)
	c := f.capture([]byte("bean"))
	f.amend(c.ID, store.AmendOptions{Version: text(""), Note: text("typed wrong"), Host: "hazel"})
	x, _, err := secondOf(t, f).index("captures/" + c.ID + ".1")
	if err != nil {
		t.Fatal(err)
	}
	a := x.Amended
	if x.Version != "1.0" || x.Note != "" || a == nil || a.Host != "hazel" || a.At == "" || a.Taken != nil || a.Version == nil || *a.Version != "" || *a.Note != "typed wrong" || a.Labels != nil {
		t.Errorf("%+v, amended %+v", x, a)
	}
	f.amend(c.ID, store.AmendOptions{Labels: map[string]string{"a": "b"}, Taken: time.Unix(1e9, 0)})
	if x, _, err = secondOf(t, f).index("captures/" + c.ID + ".2"); err != nil || (*x.Amended.Labels)["a"] != "b" || *x.Amended.Taken != "2001-09-09T01:46:40Z" {
		t.Errorf("%+v, %v", x.Amended, err)
	}
}

// TestAmendTwiceAtOnce: of two who amend at the same time neither undoes what the other did.
func TestAmendTwiceAtOnce(t *testing.T) {
	f := newFixture(t)
	c := f.capture([]byte("bean"))
	s := storagetest.NewFaulty(f.mem)
	r, err := store.Open(t.Context(), s, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	at(s, storagetest.Put, "captures/", ".1", func() { f.amend(c.ID, store.AmendOptions{Version: text("4.1.0")}) })
	got, err := r.Amend(t.Context(), c.ID, store.AmendOptions{Note: text("mine")})
	if err != nil || got.Version != "4.1.0" || got.Note != "mine" {
		t.Errorf("%+v, %v", got, err)
	}
	if got := mustFind(f, c.ID); got.Version != "4.1.0" || got.Note != "mine" {
		t.Errorf("%+v", got)
	}
}

// TestAmendBelow: a generation that is put below the one that counts does not count.
func TestAmendBelow(t *testing.T) {
	f := newFixture(t)
	c := f.capture([]byte("bean"))
	s := storagetest.NewFaulty(f.mem)
	r, err := store.Open(t.Context(), s, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	at(s, storagetest.Put, "captures/", ".1", func() {
		f.amend(c.ID, store.AmendOptions{Version: text("4.1.0")})
		f.amend(c.ID, store.AmendOptions{Version: text("4.2.0")})
		if err := f.mem.Remove(t.Context(), "captures/"+c.ID+".1"); err != nil {
			t.Error(err)
		}
	})
	if _, err := r.Amend(t.Context(), c.ID, store.AmendOptions{Note: text("mine")}); err != nil {
		t.Error(err)
	}
	if got := mustFind(f, c.ID); got.Version != "4.2.0" || got.Note != "mine" {
		t.Errorf("%+v", got)
	}
}

// TestAmendBusy: whoever reclaims puts generations, too.
func TestAmendBusy(t *testing.T) {
	f := newFixture(t)
	c, gone := f.capture(random(1, 100_000)), f.capture([]byte("pea"))
	f.retire(gone)
	s := storagetest.NewFaulty(f.mem)
	r, err := store.Open(t.Context(), s, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	at(s, storagetest.Put, "condemned/", "", func() {
		if _, err := f.Amend(t.Context(), c.ID, store.AmendOptions{Note: text("x")}); !errors.Is(err, store.ErrBusy) {
			t.Errorf("while somebody reclaims: %v", err)
		}
	})
	if _, err := r.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
		t.Fatal(err)
	}
	if mustFind(f, c.ID).Note != "" {
		t.Error("amended all the same")
	}
}

// TestAmendOfOneThatWent: whoever stood still while the capture was removed does not bring its
// index file back.
func TestAmendOfOneThatWent(t *testing.T) {
	bubble(t, func(t *testing.T, f *fixture) {
		c := f.capture(shared)
		f.capture(own)
		s, r := f.sleeper()
		at(s.Faulty, storagetest.Put, "captures/", ".1", func() {
			s.sleepWhile(func() {
				f.retire(c)
				if _, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: store.NoGrace}); err != nil {
					t.Error(err)
				}
			})
		})
		if _, err := r.Amend(t.Context(), c.ID, store.AmendOptions{Note: text("x")}); !errors.Is(err, store.ErrOvertaken) {
			t.Errorf("amended what went: %v", err)
		}
		for name := range objects(t, f.mem) {
			if strings.HasPrefix(name, "captures/"+c.ID) {
				t.Errorf("%s is there again", name)
			}
		}
	})
}

// TestAmendUnread: a damaged higher generation is passed over, and not written over.
func TestAmendUnread(t *testing.T) {
	f := newFixture(t)
	c := f.capture([]byte("bean"))
	f.amend(c.ID, store.AmendOptions{Note: text("one")})
	f.harmed = true
	b := objects(t, f.mem)["captures/"+c.ID+".1"]
	b[len(b)/2] ^= 1
	f.replace("captures/"+c.ID+".1", b)
	got := f.amend(c.ID, store.AmendOptions{Version: text("2")})
	if got.Version != "2" || got.Note != "" {
		t.Errorf("%+v", got)
	}
	if _, ok := objects(t, f.mem)["captures/"+c.ID+".2"]; !ok {
		t.Error("no generation 2")
	}
	f.spoil(c)
	if err := f.mem.Remove(t.Context(), "captures/"+c.ID+".2"); err != nil {
		t.Fatal(err)
	}
	if _, err := f.Amend(t.Context(), c.ID, store.AmendOptions{Note: text("x")}); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("of what can't be read: %v", err)
	}
}

// TestAmendLabelsTwice adds a label to those that were amended before.
func TestAmendLabelsTwice(t *testing.T) {
	f := newFixture(t)
	c := f.captureTaken("seedbank", time.Date(2026, 3, 10, 0, 0, 0, 0, time.UTC))
	want := maps.Clone(c.Labels)
	if want == nil {
		want = make(map[string]string)
	}
	for _, key := range []string{"site", "shelf"} {
		want[key] = "3"
		if got := f.amend(c.ID, store.AmendOptions{Labels: map[string]string{key: "3"}}); !maps.Equal(got.Labels, want) {
			t.Errorf("labels %v, not %v", got.Labels, want)
		}
	}
}
