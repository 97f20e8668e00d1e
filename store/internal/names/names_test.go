package names

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/storage"
)

var someTime = time.Date(2026, 3, 14, 2, 3, 59, 999, time.FixedZone("", -3600))

func TestNames(t *testing.T) {
	id := format.SlabID{0xab, 0xcd, 1, 2, 3, 4, 5, 6, 7, 8, 9, 0xff}
	tests := []struct{ got, want string }{
		{Slab(id), "slabs/ab/abcd010203040506070809ff"},
		{Table("20260314t0203z-k7f3"), "tables/20260314t0203z-k7f3"},
		{KeySlot("0123456789abcdef"), "keyslots/0123456789abcdef.json"},
		{Capture("20260314t0203z-k7f3", 0), "captures/20260314t0203z-k7f3"},
		{Capture("20260314t0203z-k7f3", 1), "captures/20260314t0203z-k7f3.1"},
		{Capture("20260314t0203z-k7f3", 120), "captures/20260314t0203z-k7f3.120"},
		{Manifest, "kist.json"},
	}
	for _, test := range tests {
		if test.got != test.want {
			t.Errorf("got %s, want %s", test.got, test.want)
		}
		if err := storage.CheckName(test.got); err != nil {
			t.Error(err)
		}
	}
	for _, folder := range Folders() {
		if err := storage.CheckName(folder + "/x"); err != nil {
			t.Error(err)
		}
	}
}

func TestSlabRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		id := format.SlabID(rapid.SliceOfN(rapid.Byte(), 12, 12).Draw(t, "id"))
		name := Slab(id)
		if err := storage.CheckName(name); err != nil {
			t.Fatal(err)
		}
		if got, err := ParseSlab(name); err != nil || got != id {
			t.Fatalf("%s: got %v, %v", name, got, err)
		}
	})
}

func TestParseSlabRefuses(t *testing.T) {
	for _, name := range []string{
		"", "slabs", "slabs/", "slabs/ab/", "abcd010203040506070809ff", "slabs/abcd010203040506070809ff",
		"slabs/ac/abcd010203040506070809ff", "slabs/ab/abcd010203040506070809f", "slabs/ab/abcd010203040506070809ff0",
		"slabs/AB/ABCD010203040506070809FF", "slabs/ab/abcd010203040506070809fg", "tables/ab/abcd010203040506070809ff",
		"slabs/ab/abcd010203040506070809ff.1", "/slabs/ab/abcd010203040506070809ff", "slabs/ab/x/abcd010203040506070809ff",
		"slabs/ab/abcd010203040506070809ff/", "captures/20260314t0203z-k7f3",
	} {
		if id, err := ParseSlab(name); err == nil {
			t.Errorf("%q is taken for slab %v", name, id)
		}
	}
}

func TestCaptureRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		id := NewID(time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "time"), 0))
		generation := rapid.IntRange(0, MaxNumber).Draw(t, "generation")
		name := Capture(id, generation)
		if err := storage.CheckName(name); err != nil {
			t.Fatal(err)
		}
		gotID, gotGeneration, err := ParseCapture(name)
		if err != nil || gotID != id || gotGeneration != generation {
			t.Fatalf("%s: got %s, %d, %v", name, gotID, gotGeneration, err)
		}
	})
}

func TestParseCaptureRefuses(t *testing.T) {
	const id = "20260314t0203z-k7f3"
	for _, name := range []string{
		"", id + ".", "captures", "captures/", "captures/" + id + ".", "captures/" + id + ".0", "captures/" + id + ".00",
		"captures/" + id + ".01", "captures/" + id + ".+1", "captures/" + id + ".-0", "captures/" + id + ".-1", "captures/" + id + ".-120", "captures/" + id + ".1.2", "captures/" + id + ".x",
		"captures/" + id + ".1 ", "captures/" + id + ".1e3", "captures/" + id + ".0x1", "captures/" + id + ".1_0",
		"captures/" + id + ".99999999999999999999", "captures/" + id + ".1000000000", "captures/" + id + ".9223372036854775807", "captures/" + strings.ToUpper(id), "captures/20260314t0203z-K7F3",
		"captures/20260314T0203Z-k7f3", "tables/" + id, "holds/" + id, "captures/x/" + id, "captures/captures/" + id, "/captures/" + id,
		"captures/" + id + "/", "captures/" + id[:18], "captures/" + id + "0", "captures/" + id + "\n", "captures/\n" + id,
		"captures/20260314t0203z_k7f3", "captures/2026031 t0203z-k7f3",
	} {
		if got, generation, err := ParseCapture(name); err == nil {
			t.Errorf("%q is taken for generation %d of capture %q", name, generation, got)
		}
	}
}

// A name of an index file without its folder is none.
func TestParseCaptureNeedsTheFolder(t *testing.T) {
	if got, generation, err := ParseCapture("20260314t0203z-k7f3"); err == nil {
		t.Errorf("taken for generation %d of capture %q", generation, got)
	}
}

func TestNewID(t *testing.T) {
	id := NewID(someTime)
	if !strings.HasPrefix(id, "20260314t0303z-") || !IsID(id) {
		t.Errorf("got %s: not the UTC minute", id)
	}
	// 36^4 endings: some two of 40 are alike with a probability of 1 in 2,200; more
	// than one pair is next to impossible.
	seen := map[string]bool{}
	for range 40 {
		seen[NewID(someTime)] = true
	}
	if len(seen) < 38 {
		t.Errorf("%d of 40 identities differ", len(seen))
	}
	// All letters and digits come up: of 4,000 drawn, each is missing with a
	// probability of e^-111.
	var letters [256]int
	for range 1000 {
		for _, c := range []byte(NewID(someTime)[15:]) {
			letters[c]++
		}
	}
	for _, c := range []byte(idLetters) {
		if letters[c] == 0 {
			t.Errorf("%q never comes up", c)
		}
	}
}

func TestIDsSortByTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		times := rapid.SliceOfN(rapid.Int64Range(0, 66_000_000), 2, 20).Draw(t, "minutes")
		slices.Sort(times)
		times = slices.Compact(times)
		var ids []string
		for _, m := range times {
			ids = append(ids, NewID(time.Unix(60*m+59, 0)))
		}
		if !slices.IsSorted(ids) {
			t.Fatalf("%v", ids)
		}
	})
}

func TestIsID(t *testing.T) {
	shape := regexp.MustCompile(`\A[0-9]{8}t[0-9]{4}z-[0-9a-z]{4}\z`)
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.OneOf(rapid.StringMatching(`[0-9]{8}t[0-9]{4}z-[0-9a-z]{4}`), rapid.StringMatching(`[0-9]{7,9}[tT][0-9]{4}z.[0-9a-zA-Z]{3,5}\n?`)).Draw(t, "s")
		if got, want := IsID(s), shape.MatchString(s); got != want {
			t.Fatalf("%q: got %v", s, got)
		}
	})
}

func FuzzParse(f *testing.F) {
	f.Add("captures/20260314t0203z-k7f3.12")
	f.Add("captures/20260314t0203z-k7f3")
	f.Add("slabs/ab/abcd010203040506070809ff")
	f.Add("captures/20260314t0203z-k7f3.0")
	f.Fuzz(func(t *testing.T, name string) {
		if id, generation, err := ParseCapture(name); err == nil {
			if generation < 0 || Capture(id, generation) != name || storage.CheckName(name) != nil {
				t.Errorf("%q gives %q, %d", name, id, generation)
			}
		}
		if id, err := ParseSlab(name); err == nil && Slab(id) != name {
			t.Errorf("%q gives %v", name, id)
		}
	})
}

func BenchmarkParseCapture(b *testing.B) {
	name := fmt.Sprintf("captures/%s.3", NewID(someTime))
	for b.Loop() {
		if _, _, err := ParseCapture(name); err != nil {
			b.Fatal(err)
		}
	}
}

func TestMarkNames(t *testing.T) {
	const id = "20260314t0203z-k7f3"
	for _, name := range []string{NewHold(id), NewRetired(id)} {
		if got, err := ParseMark(name); err != nil || got != id || storage.CheckName(name) != nil {
			t.Errorf("%s: %s, %v", name, got, err)
		}
	}
	lease := NewLease()
	for _, n := range []int{0, 1, 120} {
		name := Lease(lease, n)
		if got, renewal, err := ParseLease(name); err != nil || got != lease || renewal != n || storage.CheckName(name) != nil {
			t.Errorf("%s: %s, %d, %v", name, got, renewal, err)
		}
	}
	for _, stage := range []Stage{Announced, Final, Gone, Harmed} {
		name := Batch(id, stage)
		if got, is, err := ParseBatch(name); err != nil || got != id || is != stage || storage.CheckName(name) != nil {
			t.Errorf("%s: %s, %s, %v", name, got, is, err)
		}
	}
}

func TestMarkNamesRefuse(t *testing.T) {
	for _, name := range []string{
		"", "holds/", "holds/20260314t0203z-k7f3", "holds/20260314t0203z-k7f3.", "holds/20260314t0203z-k7f3.0123456", "holds/x.01234567",
		"holds/20260314t0203z-k7f3.0123456g", "leases/20260314t0203z-k7f3.01234567", "retired/20260314t0203z-k7f3.012345678",
	} {
		if id, err := ParseMark(name); err == nil {
			t.Errorf("%q is taken for a mark of %s", name, id)
		}
	}
	for _, name := range []string{
		"leases/0123456789abcdef", "leases/0123456789abcdef.", "leases/0123456789abcdef.-1", "leases/0123456789abcdef.01",
		"leases/0123456789abcde.1", "holds/0123456789abcdef.1", "0123456789abcdef.1",
	} {
		if id, n, err := ParseLease(name); err == nil {
			t.Errorf("%q is taken for lease %s, %d", name, id, n)
		}
	}
	for _, name := range []string{"condemned/", "condemned/x", "condemned/20260314t0203z-k7f3.", "condemned/20260314t0203z-k7f3.last", "captures/20260314t0203z-k7f3"} {
		if id, stage, err := ParseBatch(name); err == nil {
			t.Errorf("%q is taken for batch %s, %q", name, id, stage)
		}
	}
}
