package weave

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"slices"
	"testing"
)

// inMemory is a stream that is read from any place on.
type inMemory []byte

func (m inMemory) From(_ context.Context, at uint64) io.ReadCloser {
	return io.NopCloser(bytes.NewReader(m[at:]))
}

// TestShared: what two stretches share is the same in both, in order, and is all that it must be: how they begin and
// end, and in stretches of one length whatever is long enough.
func TestShared(t *testing.T) {
	rng := rand.New(rand.NewPCG(20, 26))
	random := func(n int) []byte {
		b := make([]byte, n)
		for i := range b {
			b[i] = byte(rng.IntN(4))
		}
		return b
	}
	for n := range 1000 {
		a := random(rng.IntN(5000))
		if n%100 == 0 { // longer than a window
			a = random(300_000 + rng.IntN(1000))
		}
		b := slices.Clone(a)
		for range rng.IntN(6) { // changed here and there, and sometimes longer or shorter
			at := rng.IntN(len(b) + 1)
			switch {
			case rng.IntN(12) == 0:
				b = slices.Insert(b, at, random(rng.IntN(300))...)
			case rng.IntN(12) == 0:
				b = slices.Delete(b, at, min(at+rng.IntN(300), len(b)))
			case at < len(b):
				b[at] ^= 1
			}
		}
		var all sharing
		addBetween(t.Context(), &all, inMemory(a), inMemory(b), Shared{}, Shared{A: uint64(len(a)), B: uint64(len(b))})
		checkShared(t, a, b, all)
	}
}

// TestSharedBetween: nothing is looked for before a part in the order of the second stream that stands before it in the
// first, and what can't be read is left alone.
func TestSharedBetween(t *testing.T) {
	for _, c := range []struct {
		a, b     string
		from, to Shared
		want     sharing
	}{
		{"beanpea", "beanpea", Shared{0, 0, 4}, Shared{7, 7, 0}, sharing{{0, 0, 4 + 3}}},
		{"beanpeaoak", "beanashoak", Shared{0, 0, 4}, Shared{7, 7, 3}, sharing{{0, 0, 4}}},
		{"peabean", "beanpea", Shared{3, 0, 4}, Shared{0, 4, 3}, sharing{{3, 0, 4}}},
		{"peabean", "beanoakpea", Shared{3, 0, 4}, Shared{0, 7, 3}, sharing{{3, 0, 4}}},
		{"bean", "bean", Shared{}, Shared{8, 8, 0}, nil},
	} {
		var all sharing
		all.add(c.from)
		addBetween(t.Context(), &all, inMemory(c.a), inMemory(c.b), c.from, c.to)
		if !slices.Equal(all, c.want) {
			t.Errorf("%q and %q: %v, not %v", c.a, c.b, all, c.want)
		}
	}
}

func checkShared(t *testing.T, a, b []byte, parts sharing) {
	t.Helper()
	inPart := make([]bool, len(b))
	endA, endB := uint64(0), uint64(0)
	for i, p := range parts {
		if p.Len == 0 || p.A < endA || p.B < endB || i > 0 && p.A == endA && p.B == endB {
			t.Fatalf("part %d of %v is out of order", i, parts)
		}
		endA, endB = p.A+p.Len, p.B+p.Len
		if endA > uint64(len(a)) || endB > uint64(len(b)) || !bytes.Equal(a[p.A:endA], b[p.B:endB]) {
			t.Fatalf("part %d of %v is not the same", i, parts)
		}
		for j := p.B; j < endB; j++ {
			inPart[j] = true
		}
	}
	must := func(from, to int) {
		if at := slices.Index(inPart[from:to], false); at >= 0 {
			t.Fatalf("of %d and %d bytes, %d to %d are alike, but %d is in no part of %v", len(a), len(b), from, to, from+at, parts)
		}
	}
	n := min(len(a), len(b))
	begin, end := 0, 0
	for begin < n && a[begin] == b[begin] {
		begin++
	}
	for end < n-begin && a[len(a)-1-end] == b[len(b)-1-end] {
		end++
	}
	must(0, begin)
	if len(a) != len(b) { // some bytes may be alike by chance with what stands before
		must(min(len(b)-end+20, len(b)), len(b))
		return
	}
	must(len(b)-end, len(b))
	for from := 0; from < n; from++ {
		to := from
		for to < n && a[to] == b[to] {
			to++
		}
		if to-from >= leastShared {
			must(from, to)
		}
		from = to
	}
}

// TestSharing: parts that go on are one.
func TestSharing(t *testing.T) {
	var s sharing
	for _, p := range []Shared{{0, 0, 0}, {0, 0, 5}, {5, 5, 7}, {12, 13, 1}, {14, 14, 2}, {16, 16, 0}, {16, 16, 4}} {
		s.add(p)
	}
	if want := (sharing{{0, 0, 12}, {12, 13, 1}, {14, 14, 6}}); !slices.Equal(s, want) {
		t.Errorf("%v, not %v", s, want)
	}
	for at, want := range map[uint64]bool{0: true, 11: true, 12: false, 13: true, 14: true, 19: true, 20: false} {
		if _, ok := Shares(s, at); ok != want {
			t.Errorf("%d is in a part: %t", at, ok)
		}
	}
}
