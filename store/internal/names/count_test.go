package names

import "testing"

func TestCount(t *testing.T) {
	for n, want := range map[int]string{0: "0 slabs", 1: "1 slab", 2: "2 slabs", 1000: "1000 slabs"} {
		if got := Count(n, "slab", "slabs"); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
}
