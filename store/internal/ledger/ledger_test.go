package ledger

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/internal/vault"
	"github.com/kistarchive/kist/store/storage"
)

const one, two = "20260314t0203z-k7f3", "20260315t0203z-aaaa"

// TestGenerations puts the index files of a capture together, highest first, and passes
// over what is none.
func TestGenerations(t *testing.T) {
	const whole = 1000
	infos := []storage.Info{
		{Name: names.Capture(one, 0), Size: whole},
		{Name: names.Capture(two, 0), Size: whole},
		{Name: names.Capture(one, 11), Size: whole},
		{Name: names.Capture(one, 2), Size: whole},
		{Name: names.Capture(one, 12), Size: format.HeaderSize + crypt.Overhead - 1}, // torn
		{Name: "captures/notes.txt", Size: whole},
	}
	var got [][]int
	for _, files := range Generations(infos) {
		var of []int
		for _, f := range files {
			of = append(of, f.Generation)
		}
		got = append(got, of)
	}
	if want := [][]int{{11, 2, 0}, {0}}; !slices.EqualFunc(got, want, slices.Equal) {
		t.Errorf("the generations are %v, not %v", got, want)
	}
	highest := HighestGenerations(infos)
	if len(highest) != 2 || highest[one] != 11 || highest[two] != 0 {
		t.Errorf("the highest are %v", highest)
	}
}

// TestDepartures: a capture went as it was, or, where no hash is known, whatever it was.
func TestDepartures(t *testing.T) {
	was, is := crypt.Digest{1}, crypt.Digest{2}
	hashed := &format.BatchRecord{}
	Depart(hashed, one, was)
	gone := (&Batches{Gone: []Batch{{Record: hashed}, {Record: nil}, {Record: &format.BatchRecord{Captures: []string{two}}}}}).Departures()
	for _, c := range []struct {
		id            string
		hash          crypt.Digest
		covers, names bool
	}{{one, was, true, true}, {one, is, false, true}, {two, is, true, true}, {"20260316t0203z-bbbb", is, false, false}} {
		if gone.Covers(c.id, c.hash) != c.covers || gone.Names(c.id) != c.names {
			t.Errorf("%s with %x: covered %v, named %v", c.id, c.hash[:1], gone.Covers(c.id, c.hash), gone.Names(c.id))
		}
	}
}

// TestHarmed adds up marks of harmed frames; one without frames is of the whole slab.
func TestHarmed(t *testing.T) {
	a, b, c := format.SlabID{1}, format.SlabID{2}, format.SlabID{3}
	mark := func(all ...format.HarmedSlab) Batch { return Batch{Record: &format.BatchRecord{Harmed: all}} }
	for name, marks := range map[string][]Batch{
		"whole last":  {mark(format.HarmedSlab{Slab: a, Frames: []uint32{1}}), mark(format.HarmedSlab{Slab: a, Frames: []uint32{4}}, format.HarmedSlab{Slab: b, Frames: []uint32{2}}), mark(format.HarmedSlab{Slab: b}), {}},
		"whole first": {mark(format.HarmedSlab{Slab: b}, format.HarmedSlab{Slab: a, Frames: []uint32{1, 4}}), mark(format.HarmedSlab{Slab: b, Frames: []uint32{2}})},
	} {
		places := (&Batches{Harm: marks}).Harmed()
		for _, want := range []struct {
			slab   format.SlabID
			frames []uint32
			covers bool
		}{{a, []uint32{1, 4}, true}, {a, []uint32{1, 2}, false}, {a, nil, false}, {b, nil, true}, {b, []uint32{7}, true}, {c, []uint32{1}, false}} {
			if got := places.Covers(want.slab, want.frames); got != want.covers {
				t.Errorf("%s: frames %v of %x: covered %v", name, want.frames, want.slab[:1], got)
			}
		}
	}
}

// TestBlot takes identities out of harmed frames, and leaves the record that was given.
func TestBlot(t *testing.T) {
	id := slices.Repeat([]byte{7}, 16)
	rec := &format.SlabRecord{Slab: format.SlabID{1}, Frames: []format.TableFrame{{IDs: id}, {IDs: id}}}
	places := HarmedPlaces{rec.Slab: {1, 9}}
	got := places.Blot(rec)
	if !slices.Equal(got.Frames[0].IDs, id) || !slices.Equal(got.Frames[1].IDs, make([]byte, 16)) {
		t.Errorf("the identities are %v and %v", got.Frames[0].IDs, got.Frames[1].IDs)
	}
	if !slices.Equal(rec.Frames[1].IDs, id) {
		t.Error("the record that was given changed")
	}
	if other := (HarmedPlaces{}).Blot(rec); other != rec {
		t.Error("a record of which nothing is harmed is another one")
	}
}

// TestParseHeads reads what Heads gives, and refuses what is none.
func TestParseHeads(t *testing.T) {
	hash := crypt.Digest{0xab}
	token := newHeadToken(one, hash).String()
	heads, err := ParseHeads([]string{token + ",\n" + token})
	if err != nil || len(heads) != 2 || heads[0].ID != one || !heads[1].Fits(hash) || heads[0].Fits(crypt.Digest{}) {
		t.Errorf("%q is read as %v, %v", token, heads, err)
	}
	for _, bad := range []string{"", one, one + ":", token[:len(token)-1], token + "0", "x:" + token, one + ":AB" + token[len(one)+3:]} {
		if _, err := ParseHeads([]string{bad}); !errors.Is(err, vault.ErrBadOptions) {
			t.Errorf("%q gives %v", bad, err)
		}
	}
}

// TestStanding reads marks as FORMAT.md, section 10, has them count: ended ones never, and
// of what can't be read that which keeps the capture.
func TestStanding(t *testing.T) {
	type mark struct {
		name string
		kind format.ObjectKind
		made time.Time
		junk bool
	}
	early, late := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2126, 1, 1, 0, 0, 0, 0, time.UTC)
	hold, retired, again := names.NewHold(one), names.NewRetired(one), names.NewRetired(one)
	for name, c := range map[string]struct {
		marks   []mark
		held    bool
		retired bool
		at      time.Time // zero: of the medium
	}{
		"none":                       {},
		"held":                       {marks: []mark{{name: hold, kind: format.Hold}}, held: true},
		"held by what can't be read": {marks: []mark{{name: hold, junk: true}}, held: true},
		"released":                   {marks: []mark{{name: hold, kind: format.Hold}, {name: names.Ending(hold), kind: format.Hold}}},
		"released by what can't be read": {
			marks: []mark{{name: hold, kind: format.Hold}, {name: names.Ending(hold), junk: true}}, held: true,
		},
		"retired":                       {marks: []mark{{name: retired, kind: format.Retired, made: early}}, retired: true},
		"retired by a clock ahead":      {marks: []mark{{name: retired, kind: format.Retired, made: late}}, retired: true, at: late},
		"retired twice: the first":      {marks: []mark{{name: retired, kind: format.Retired, made: late}, {name: again, kind: format.Retired, made: late.Add(-time.Hour)}}, retired: true, at: late.Add(-time.Hour)},
		"retired by what can't be read": {marks: []mark{{name: retired, junk: true}}},
		"undone":                        {marks: []mark{{name: retired, kind: format.Retired}, {name: names.Ending(retired), kind: format.Retired}}},
		"undone by what can't be read":  {marks: []mark{{name: retired, kind: format.Retired}, {name: names.Ending(retired), junk: true}}},
		"undone, and retired anew": {
			marks:   []mark{{name: retired, kind: format.Retired}, {name: names.Ending(retired), kind: format.Retired}, {name: again, kind: format.Retired, made: late}},
			retired: true, at: late,
		},
		"held and retired": {marks: []mark{{name: hold, kind: format.Hold}, {name: retired, kind: format.Retired}}, held: true},
	} {
		t.Run(name, func(t *testing.T) {
			l, mem := newLedger(t)
			for _, m := range c.marks {
				var err error
				if m.junk {
					err = mem.Put(t.Context(), m.name, newJunk())
				} else {
					err = vault.PutMark(t.Context(), l.vault, m.kind, m.name, &format.MarkRecord{Made: m.made, Host: "hazel"})
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			s, err := l.ReadStanding(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			captures := []*Capture{{IndexFile: &format.IndexFile{ID: one}}, {IndexFile: &format.IndexFile{ID: two}}}
			s.Apply(captures)
			got := captures[0]
			if got.Held != c.held || (got.Retired != nil) != c.retired {
				t.Errorf("held %v, retired %v; should be %v, %v", got.Held, got.Retired, c.held, c.retired)
			}
			if !c.at.IsZero() && (got.Retired == nil || !got.Retired.At.Equal(c.at)) {
				t.Errorf("retired %+v, not at %s", got.Retired, c.at)
			}
			if captures[1].Held || captures[1].Retired != nil {
				t.Error("the marks of one capture count for another")
			}
		})
	}
}
