package store_test

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
	"github.com/kistarchive/kist/store/storage/storagetest"
)

// rehearsed gives the names of the marks of rehearsals.
func (f *fixture) rehearsed() (marks []string) {
	f.t.Helper()
	infos, err := f.mem.List(f.t.Context(), "rehearsed")
	if err != nil {
		f.t.Fatal(err)
	}
	for _, info := range infos {
		marks = append(marks, info.Name)
	}
	return marks
}

func (f *fixture) note(id string, done store.Rehearsal) {
	f.t.Helper()
	if err := f.NoteRehearsal(f.t.Context(), id, done); err != nil {
		f.t.Fatal(err)
	}
}

func TestNoteRehearsal(t *testing.T) {
	f := newFixture(t)
	c, other := f.capture([]byte("bean")), f.capture([]byte("pea"))
	if c.Rehearsed != nil || mustFind(f, c.ID).Rehearsed != nil {
		t.Errorf("a new capture was rehearsed: %+v", c.Rehearsed)
	}
	want := &store.Rehearsal{
		At: time.Date(2026, 3, 14, 2, 3, 0, 5e6, time.UTC), Took: 61250 * time.Millisecond, Outcome: store.RehearsedDown,
		Fault: "it ended with exit status 1", Checked: []string{"445 members", "service seedbank"}, Host: "hazel",
	}
	f.note(c.ID, *want)
	f.reopen()
	if got := mustFind(f, c.ID).Rehearsed; !reflect.DeepEqual(got, want) {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if got := mustFind(f, other.ID).Rehearsed; got != nil {
		t.Errorf("the other capture: %+v", got)
	}
	if got, err := f.Amend(t.Context(), c.ID, store.AmendOptions{Note: text("amended")}); err != nil || !reflect.DeepEqual(got.Rehearsed, want) {
		t.Errorf("amended: %+v, %v", got, err)
	}
	b, err := json.Marshal(mustFind(f, c.ID))
	if err != nil {
		t.Fatal(err)
	}
	const in = `"rehearsed":{"at":"2026-03-14T02:03:00.005Z","outcome":"down","good":false,"fault":"it ended with exit status 1",` +
		`"took_seconds":61.25,"checked":["445 members","service seedbank"],"host":"hazel"}`
	if !strings.Contains(string(b), in) {
		t.Errorf("%s\nlacks %s", b, in)
	}

	// The next one comes in its place, be its clock behind.
	f.note(c.ID, store.Rehearsal{At: time.Unix(1e9, 0), Outcome: store.RehearsedUp})
	if got := mustFind(f, c.ID).Rehearsed; got.Outcome != store.RehearsedUp || !got.Outcome.Good() || got.Fault != "" || got.Checked != nil || got.Took != 0 {
		t.Errorf("%+v", got)
	}
	if marks := f.rehearsed(); len(marks) != 1 {
		t.Errorf("marks: %q", marks)
	}
	before := time.Now().Add(-time.Minute)
	f.note(c.ID, store.Rehearsal{Outcome: store.RehearsedHarmed})
	if got := mustFind(f, c.ID).Rehearsed; got.Outcome.Good() || got.At.Before(before) {
		t.Errorf("%+v", got)
	}
}

// Of two that were noted at once the latest counts, and nothing of the others is told.
func TestLatestRehearsal(t *testing.T) {
	f := newFixture(t)
	c := f.capture([]byte("bean"))
	s := storagetest.NewFaulty(f.mem)
	r, err := store.Open(t.Context(), s, f.key, store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	at(s, storagetest.Put, "rehearsed/", "", func() {
		f.note(c.ID, store.Rehearsal{At: time.Unix(2e9, 0), Outcome: store.RehearsedUp})
	})
	if err := r.NoteRehearsal(t.Context(), c.ID, store.Rehearsal{At: time.Unix(1e9, 0), Outcome: store.RehearsedDown}); err != nil {
		t.Fatal(err)
	}
	if marks := f.rehearsed(); len(marks) != 2 {
		t.Fatalf("marks: %q", marks)
	}
	if got := mustFind(f, c.ID).Rehearsed; got.Outcome != store.RehearsedUp {
		t.Errorf("%+v", got)
	}
}

func TestNoteRehearsalRefuses(t *testing.T) {
	f := newFixture(t)
	c := f.capture([]byte("bean"))
	for name, done := range map[string]store.Rehearsal{
		"no outcome":      {},
		"unknown outcome": {Outcome: "splendid"},
		"less than none":  {Outcome: store.RehearsedUp, Took: -1},
		"year":            {Outcome: store.RehearsedUp, At: time.Date(10001, 1, 1, 0, 0, 0, 0, time.UTC)},
		"no text":         {Outcome: store.RehearsedUp, Fault: "\xff"},
		"no text checked": {Outcome: store.RehearsedUp, Checked: []string{"\xff"}},
		"long":            {Outcome: store.RehearsedUp, Host: strings.Repeat("x", 4097)},
		"many":            {Outcome: store.RehearsedUp, Checked: make([]string, 257)},
	} {
		if err := f.NoteRehearsal(t.Context(), c.ID, done); !errors.Is(err, store.ErrBadOptions) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := f.NoteRehearsal(t.Context(), "20260314t0203z-k7f3", store.Rehearsal{Outcome: store.RehearsedUp}); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("a capture that is not there: %v", err)
	}
	if marks := f.rehearsed(); len(marks) != 0 {
		t.Errorf("marks: %q", marks)
	}
}

// A mark that can't be read harms nothing: it is as good as absent, verifying names it, and
// repairing removes it.
func TestDamagedRehearsal(t *testing.T) {
	for name, harm := range map[string]func(f *fixture, mark string, b []byte) (string, []byte){
		"a bit":              func(_ *fixture, mark string, b []byte) (string, []byte) { b[len(b)-3] ^= 1; return mark, b },
		"cut":                func(_ *fixture, mark string, b []byte) (string, []byte) { return mark, b[:40] },
		"empty":              func(_ *fixture, mark string, b []byte) (string, []byte) { return mark, nil },
		"of a later release": func(_ *fixture, mark string, b []byte) (string, []byte) { b[6]++; return mark, b },
		"another's": func(f *fixture, mark string, b []byte) (string, []byte) {
			return "rehearsed/" + f.capture([]byte("other")).ID + ".01234567", b
		},
		"a hold": func(f *fixture, mark string, _ []byte) (string, []byte) {
			id := f.capture([]byte("held")).ID
			if err := f.Hold(f.t.Context(), []string{id}, store.MarkOptions{}); err != nil {
				f.t.Fatal(err)
			}
			for name, b := range objects(f.t, f.mem) {
				if rest, ok := strings.CutPrefix(name, "holds/"); ok {
					return "rehearsed/" + rest, b
				}
			}
			return "", nil
		},
	} {
		t.Run(name, func(t *testing.T) {
			f := newFixture(t)
			c := f.capture([]byte("bean"))
			f.note(c.ID, store.Rehearsal{Outcome: store.RehearsedUp})
			mark := f.rehearsed()[0]
			b := objects(t, f.mem)[mark]
			if err := f.mem.Remove(t.Context(), mark); err != nil {
				t.Fatal(err)
			}
			bad, content := harm(f, mark, slices.Clone(b))
			if err := f.mem.Put(t.Context(), bad, strings.NewReader(string(content))); err != nil {
				t.Fatal(err)
			}
			all, err := f.Captures(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			for _, c := range all {
				if c.Rehearsed != nil {
					t.Errorf("%s: %+v", c.ID, c.Rehearsed)
				}
			}
			report, err := f.Verify(t.Context(), store.VerifyOptions{Full: true})
			if err != nil || len(report.Damage) != 1 || report.Damage[0].Object != bad || len(report.Damage[0].Captures) != 0 {
				t.Fatalf("%+v, %v", report, err)
			}
			repaired, err := f.Repair(t.Context(), store.RepairOptions{})
			if err != nil || !slices.Equal(repaired.Marks, []string{bad}) {
				t.Errorf("%+v, %v", repaired, err)
			}
		})
	}
}

// What is no mark of a rehearsal in their folder is noted, and disturbs nothing.
func TestForeignRehearsal(t *testing.T) {
	f := newFixture(t)
	c := f.capture([]byte("bean"))
	if err := f.mem.Put(t.Context(), "rehearsed/"+c.ID, strings.NewReader("bean")); err != nil {
		t.Fatal(err)
	}
	report, err := f.Verify(t.Context(), store.VerifyOptions{})
	if err != nil || !report.OK || !strings.Contains(strings.Join(report.Notes, "\n"), "rehearsed/"+c.ID+" is no object of kist") {
		t.Errorf("%+v, %v", report, err)
	}
}

// TestReclaimRehearsed: a mark goes with its capture, and later where a copy of it comes back.
// Those of others stay.
func TestReclaimRehearsed(t *testing.T) {
	f := newFixture(t)
	c, stays := f.capture([]byte("bean")), f.capture([]byte("pea"))
	for _, id := range []string{c.ID, stays.ID} {
		f.note(id, store.Rehearsal{Outcome: store.RehearsedUp})
	}
	b := objects(t, f.mem)
	marks := f.rehearsed()
	reclaim := func() {
		t.Helper()
		if _, err := f.Reclaim(t.Context(), store.ReclaimOptions{Grace: -1}); err != nil {
			t.Fatal(err)
		}
		left := f.rehearsed()
		if len(left) != 1 || !strings.HasPrefix(left[0], "rehearsed/"+stays.ID) {
			t.Errorf("left: %q", left)
		}
	}
	if err := f.Retire(t.Context(), []string{c.ID}, store.MarkOptions{}); err != nil {
		t.Fatal(err)
	}
	reclaim()
	for _, mark := range marks {
		if strings.HasPrefix(mark, "rehearsed/"+c.ID) {
			if err := f.mem.Put(t.Context(), mark, strings.NewReader(string(b[mark]))); err != nil {
				t.Fatal(err)
			}
		}
	}
	if all, err := f.AllCaptures(t.Context()); err != nil || len(all) != 1 || all[0].Rehearsed == nil {
		t.Errorf("%v, %v", all, err)
	}
	f.verify(t.Context())
	reclaim()
}

// A repository of before there were rehearsals has no folder for them. It is not missed, and
// made with the first one.
func TestRehearsalInOlder(t *testing.T) {
	root := filepath.Join(t.TempDir(), "repository")
	if err := os.CopyFS(root, os.DirFS(secondGolden+"/repository")); err != nil {
		t.Fatal(err)
	}
	if err := os.RemoveAll(filepath.Join(root, "rehearsed")); err != nil {
		t.Fatal(err)
	}
	s, err := storage.OpenFolder(root)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	r, err := store.Open(t.Context(), s, goldenKey(t), store.OpenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	all, err := r.Captures(t.Context())
	if err != nil || len(all) == 0 {
		t.Fatal(all, err)
	}
	if report, err := r.Verify(t.Context(), store.VerifyOptions{}); err != nil || !report.OK {
		t.Errorf("%+v, %v", report, err)
	}
	if err := r.NoteRehearsal(t.Context(), all[0].ID, store.Rehearsal{Outcome: store.RehearsedWhole}); err != nil {
		t.Fatal(err)
	}
	if c, err := r.Find(t.Context(), all[0].ID); err != nil || c.Rehearsed == nil {
		t.Errorf("%+v, %v", c, err)
	}
}

// TestSecondReaderOfRehearsals reads the marks by the page.
func TestSecondReaderOfRehearsals(t *testing.T) {
	f := newFixture(t)
	c := f.capture([]byte("bean"))
	for _, test := range []struct {
		done store.Rehearsal
		want secondRehearsal
	}{
		{store.Rehearsal{At: time.Unix(1e9, 5e8), Outcome: store.RehearsedWhole}, secondRehearsal{Ended: "2001-09-09T01:46:40.5Z", Outcome: "whole"}},
		{store.Rehearsal{At: time.Unix(1e9, 0), Outcome: store.RehearsedUp, Took: time.Minute, Checked: []string{"445 members"}, Host: "hazel"},
			secondRehearsal{Ended: "2001-09-09T01:46:40Z", Outcome: "up", Took: 60_000, Checked: []string{"445 members"}, Host: "hazel"}},
		{store.Rehearsal{At: time.Unix(1e9, 0), Outcome: store.RehearsedHarmed, Fault: "beans"}, secondRehearsal{Ended: "2001-09-09T01:46:40Z", Outcome: "harmed", Fault: "beans"}},
		{store.Rehearsal{At: time.Unix(1e9, 0), Outcome: store.RehearsedDown}, secondRehearsal{Ended: "2001-09-09T01:46:40Z", Outcome: "down"}},
	} {
		f.note(c.ID, test.done)
		r := secondOf(t, f)
		marks, err := r.list("rehearsed")
		if err != nil || len(marks) != 1 || !strings.HasPrefix(marks[0], "rehearsed/"+c.ID+".") {
			t.Fatal(marks, err)
		}
		var got secondRehearsal
		o, err := r.object("rehearsal", marks[0])
		if err == nil {
			var plain []byte
			if plain, err = o.open(secondRecord, 0, o.body); err == nil {
				err = secondRecordInto(plain, &got)
			}
		}
		if err != nil || !reflect.DeepEqual(got, test.want) {
			t.Errorf("got %+v, want %+v: %v", got, test.want, err)
		}
	}
}
