package weave

import (
	"errors"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
)

var slabA, slabB = format.SlabID{1}, format.SlabID{2}

// TestCleanPath gives every way of writing a path one form.
func TestCleanPath(t *testing.T) {
	for in, want := range map[string]string{
		"config/seeds.toml":      "config/seeds.toml",
		"./config/":              "config",
		"/config//seeds.toml":    "config/seeds.toml",
		"config/./a/../seeds":    "config/seeds",
		"///":                    ".",
		"":                       ".",
		"../config":              "../config",
		"a.b/..c":                "a.b/..c",
		"config/\xffnot UTF-8\n": "config/\xffnot UTF-8\n",
	} {
		if got := CleanPath(in); got != want {
			t.Errorf("CleanPath(%q) is %q, not %q", in, got, want)
		}
	}
}

// TestJoiner joins what goes on, and nothing else.
func TestJoiner(t *testing.T) {
	for name, c := range map[string]struct{ in, want []format.Run }{
		"none":          {},
		"goes on":       {[]format.Run{{Slab: slabA, First: 3, Count: 2, Times: 1}, {Slab: slabA, First: 5, Count: 1, Times: 1}}, []format.Run{{Slab: slabA, First: 3, Count: 3, Times: 1}}},
		"a gap":         {[]format.Run{{Slab: slabA, First: 3, Count: 2, Times: 1}, {Slab: slabA, First: 6, Count: 1, Times: 1}}, nil},
		"backwards":     {[]format.Run{{Slab: slabA, First: 3, Count: 2, Times: 1}, {Slab: slabA, First: 3, Count: 2, Times: 1}}, nil},
		"another slab":  {[]format.Run{{Slab: slabA, First: 0, Count: 1, Times: 1}, {Slab: slabB, First: 1, Count: 1, Times: 1}}, nil},
		"first repeats": {[]format.Run{{Slab: slabA, First: 0, Count: 1, Times: 7}, {Slab: slabA, First: 1, Count: 1, Times: 1}}, nil},
		"next repeats":  {[]format.Run{{Slab: slabA, First: 0, Count: 1, Times: 1}, {Slab: slabA, First: 1, Count: 1, Times: 7}}, nil},
	} {
		if c.want == nil {
			c.want = c.in
		}
		var got []format.Run
		j := &Joiner{Yield: func(r format.Run) error { got = append(got, r); return nil }}
		for _, r := range c.in {
			if err := j.Add(r); err != nil {
				t.Fatal(err)
			}
		}
		if err := errors.Join(j.End(), j.End()); err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %v becomes %v, not %v", name, c.in, got, c.want)
		}
	}
}

// TestJoinerFails passes on what who takes the runs says.
func TestJoinerFails(t *testing.T) {
	full := errors.New("full")
	j := &Joiner{Yield: func(format.Run) error { return full }}
	if err := j.Add(format.Run{Slab: slabA, Count: 1, Times: 1}); err != nil {
		t.Fatal(err)
	}
	if err := j.Add(format.Run{Slab: slabB, Count: 1, Times: 1}); err != full {
		t.Errorf("a run that was not taken gives %v", err)
	}
}

// TestCutOut holds parts of runs against their chunks one by one.
func TestCutOut(t *testing.T) {
	for _, run := range []format.Run{{Slab: slabA, First: 4, Count: 5, Times: 1}, {Slab: slabA, First: 4, Count: 1, Times: 5}, {Slab: slabA, First: 9, Count: 1, Times: 1}} {
		all := chunksOf(t, run)
		for skip := range uint64(len(all)) {
			for count := uint64(1); count <= uint64(len(all))+2; count++ {
				want := all[skip:min(skip+count, uint64(len(all)))]
				if got := chunksOf(t, CutOut(run, skip, count)); !slices.Equal(got, want) {
					t.Errorf("of %v, %d chunks behind %d are %v, not %v", run, count, skip, got, want)
				}
			}
		}
	}
}

func chunksOf(t *testing.T, run format.Run) (all []uint32) {
	t.Helper()
	next, stop := PullPlaces(t.Context(), fetch.Inline([]format.Run{run}))
	defer stop()
	for {
		at, err, ok := next()
		if err != nil {
			t.Fatal(err)
		}
		if !ok {
			return all
		}
		all = append(all, at.Chunk)
	}
}

// TestPullRepeats gives repeats together, at most so often as asked for.
func TestPullRepeats(t *testing.T) {
	next, stop := PullRepeats(t.Context(), fetch.Inline([]format.Run{{Slab: slabA, First: 3, Count: 2, Times: 1}, {Slab: slabB, First: 8, Count: 1, Times: 10}}))
	defer stop()
	for _, want := range []struct {
		most  uint64
		at    Place
		times uint64
	}{{5, Place{slabA, 3}, 1}, {5, Place{slabA, 4}, 1}, {4, Place{slabB, 8}, 4}, {100, Place{slabB, 8}, 6}} {
		at, times, err, ok := next(want.most)
		if err != nil || !ok || at != want.at || times != want.times {
			t.Errorf("%v %d times (%v, %v), not %v %d times", at, times, ok, err, want.at, want.times)
		}
	}
	if _, _, err, ok := next(1); ok || err != nil {
		t.Errorf("behind the last chunk there is another one (%v)", err)
	}
}

// TestPadding fills up to blocks of 512 bytes (POSIX.1, pax, "ustar Interchange Format").
func TestPadding(t *testing.T) {
	for length, want := range map[uint64]int{0: 0, 1: 511, 511: 1, 512: 0, 513: 511, 1<<63 + 1: 511} {
		if got := Padding(length); got != want {
			t.Errorf("behind %d bytes come %d, not %d", length, got, want)
		}
	}
}
