package reclaim

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

const one, two = "20260314t0203z-k7f3", "20260315t0203z-aaaa"

// TestBitset holds the set, which passes over whole words, against one bit by bit.
func TestBitset(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 300 {
		n := 1 + r.IntN(400)
		b, plain := make(bitset, n/64+1), make([]bool, n)
		for range r.IntN(4) {
			i := r.IntN(n)
			b.set(i)
			plain[i] = true
		}
		for range 50 {
			i := r.IntN(n)
			j := i + r.IntN(n-i+1)
			if got, want := b.any(i, j), slices.Contains(plain[i:j], true); got != want {
				t.Fatalf("of %d bits, one from %d to %d is set: %v, not %v", n, i, j, got, want)
			}
		}
		last := r.IntN(n/64+1) * 64 % n // a whole word may be passed over up to here, and no further
		alone := make(bitset, n/64+1)
		if alone.set(last); !alone.any(0, n) {
			t.Fatalf("of %d bits bit %d alone is not seen", n, last)
		}
		for i := range plain {
			if b.has(i) != plain[i] {
				t.Fatalf("bit %d of %d is %v", i, n, b.has(i))
			}
		}
	}
}

// TestSupersededFiles: what is lower than the generation that counts, the lowest first; not
// what is higher and can't be read, nor that of a capture of which nothing can.
func TestSupersededFiles(t *testing.T) {
	var files []storage.Info
	for _, name := range []string{names.Capture(one, 0), names.Capture(one, 1), names.Capture(one, 2), names.Capture(one, 3), names.Capture(two, 0), names.Capture(two, 1)} {
		files = append(files, storage.Info{Name: name, Size: 1000})
	}
	counts := &ledger.Capture{IndexFile: &format.IndexFile{ID: one}, File: ledger.File{Generation: 2}}
	var got []string
	for _, info := range supersededFiles(files, []*ledger.Capture{counts}) {
		got = append(got, info.Name)
	}
	if want := []string{names.Capture(one, 0), names.Capture(one, 1)}; !slices.Equal(got, want) {
		t.Errorf("superseded are %v, not %v", got, want)
	}
}

// TestExpired: a retired capture goes a grace time later, and at once with none, whatever
// the clocks say.
func TestExpired(t *testing.T) {
	now := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		grace time.Duration
		at    time.Time // zero: not retired
		want  bool
	}{
		"not retired":          {time.Hour, time.Time{}, false},
		"not retired, none":    {0, time.Time{}, false},
		"within":               {time.Hour, now.Add(-time.Hour + time.Second), false},
		"just over":            {time.Hour, now.Add(-time.Hour), true},
		"by a clock ahead":     {time.Hour, now.Add(time.Hour), false},
		"none, a clock ahead":  {0, now.Add(time.Hour), true},
		"none, a moment ago":   {0, now, true},
		"negative is none too": {-1, now.Add(time.Hour), true},
	} {
		capture := &ledger.Capture{}
		if !c.at.IsZero() {
			capture.Retired = &ledger.Retirement{At: c.at}
		}
		v := &survey{now: now, grace: c.grace}
		if got := v.expired(capture); got != c.want {
			t.Errorf("%s: expired %v", name, got)
		}
	}
}

// TestUnused: of a slab that a recipe says more of than its table, or whose chunks nobody
// knows, nothing goes as long as a recipe names it.
func TestUnused(t *testing.T) {
	frames := []format.Frame{{Chunks: []uint32{10, 10}}}
	used, free := &stocked{frames: frames, chunks: 2}, &stocked{frames: frames, first: 2, chunks: 2}
	short := &stocked{frames: frames, first: 4, chunks: 2, short: true}
	unknown, named := &stocked{}, &stocked{}
	v := &survey{needed: make(bitset, 1), walked: map[string][]*stocked{"r": {named}}}
	v.needed.set(1)
	for name, c := range map[string]struct {
		s    *stocked
		want bool
	}{"needed": {used, false}, "free": {free, true}, "short": {short, false}, "unknown": {unknown, true}, "unknown and named": {named, false}} {
		if got := v.unused(c.s, v.needed); got != c.want {
			t.Errorf("%s: unused %v", name, got)
		}
	}
}

// TestMarkRun notes needs by their kinds, and that a recipe names more than there is.
func TestMarkRun(t *testing.T) {
	s := &stocked{frames: []format.Frame{{Chunks: make([]uint32, 4)}}, first: 10, chunks: 4}
	v := &survey{wanted: make(bitset, 1), needed: make(bitset, 1), asked: make(bitset, 1), direct: make(bitset, 1), listing: make(bitset, 1)}
	v.markRun(s, format.Run{First: 1, Count: 2, Times: 1}, false, true, false)
	if s.short || v.needed[0] != 3<<11 || v.direct[0] != 3<<11 || v.wanted[0] != 0 || v.listing[0] != 0 {
		t.Errorf("needed %b, direct %b, wanted %b, listing %b, short %v", v.needed, v.direct, v.wanted, v.listing, s.short)
	}
	v.markRun(s, format.Run{First: 3, Count: 2, Times: 1}, true, false, true)
	if !s.short || v.needed[0] != 7<<11 || v.direct[0] != 3<<11 || v.wanted[0] != 1<<13 || v.listing[0] != 1<<13 {
		t.Errorf("needed %b, direct %b, wanted %b, listing %b, short %v", v.needed, v.direct, v.wanted, v.listing, s.short)
	}
}

// TestDead counts dead chunks by their share of a frame, and no padding.
func TestDead(t *testing.T) {
	s := &stocked{chunks: 4, frames: []format.Frame{{Sealed: 50, Chunks: []uint32{30, 70}}, {Sealed: 1000, Chunks: []uint32{1000}, Padding: true}, {Sealed: 40, Chunks: []uint32{80}}}}
	v := &survey{needed: make(bitset, 1)}
	v.needed.set(1)
	if got, want := v.dead(s), int64(50*30/100+40); got != want {
		t.Errorf("%d bytes are dead, not %d", got, want)
	}
	s.short = true
	if got := v.dead(s); got != 0 {
		t.Errorf("%d bytes are dead of a slab of which nobody knows", got)
	}
}
