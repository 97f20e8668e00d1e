package format

import (
	"slices"
	"testing"
)

// TestComparePaths has paths in the order of a walk: a folder comes before what it
// holds, and that before names that only begin like it.
func TestComparePaths(t *testing.T) {
	ordered := []string{
		"", "./", "./A", "./a", "./a/", "./a/b/", "./a/b/c", "./a/b!", "./a/b.c", "./a/c", "./a!", "./a!/", "./a!/x",
		"./a-", "./a.b", "./a0", "./aa", "./b", "./\xff",
	}
	for i, a := range ordered {
		for j, b := range ordered {
			want := 0
			if i < j {
				want = -1
			} else if i > j {
				want = 1
			}
			if got := ComparePaths(a, b); got != want {
				t.Errorf("%q, %q: %d", a, b, got)
			}
		}
	}
	shuffled := slices.Clone(ordered)
	slices.Reverse(shuffled)
	if slices.SortFunc(shuffled, ComparePaths); !slices.Equal(shuffled, ordered) {
		t.Errorf("sorted: %q", shuffled)
	}
}
