package names

import (
	"math"
	"slices"
	"testing"

	"github.com/dustin/go-humanize"
)

// TestSize holds lengths against the library by which the program shows them.
func TestSize(t *testing.T) {
	all := []int64{0, 1, 9, 10, 999, 1000, 10_188, 10_189, math.MaxInt64}
	for shift := 10; shift < 50; shift += 10 { // where logarithms of the library are exact enough
		for _, off := range []int64{-1, 0, 1} {
			all = append(all, 1<<shift+off, 9<<shift+off, 10<<shift+off, 995<<(shift-10)+off)
		}
	}
	for _, n := range all {
		if got, want := Size(n), humanize.IBytes(uint64(n)); got != want {
			t.Errorf("%d: %q, and %q by the library", n, got, want)
		}
	}
}

func TestCount(t *testing.T) {
	for n, want := range map[int]string{0: "0 slabs", 1: "1 slab", 2: "2 slabs", 1000: "1000 slabs"} {
		if got := Count(n, "slab", "slabs"); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
}

// TestNextNumber: above all that is taken, or where that is too high, the lowest free one above what counts.
func TestNextNumber(t *testing.T) {
	for _, test := range []struct {
		least int
		taken []int
		want  int
		ok    bool
	}{
		{-1, nil, 0, true}, {0, nil, 1, true}, {0, []int{0, 1, 7}, 8, true}, {3, []int{0, 3}, 4, true},
		{0, []int{MaxNumber}, 1, true}, {3, []int{MaxNumber, 4, 3, 0, 5}, 6, true}, {0, []int{MaxNumber - 1}, MaxNumber, true},
		{-1, []int{MaxNumber}, 0, true}, {MaxNumber, []int{MaxNumber}, 0, false}, {MaxNumber - 1, []int{MaxNumber}, 0, false},
	} {
		got, ok := NextNumber(test.least, test.taken)
		if ok != test.ok || ok && (got != test.want || slices.Contains(test.taken, got)) {
			t.Errorf("above %d, with %v taken: %d, %v", test.least, test.taken, got, ok)
		}
	}
}

// TestNumbersInNames: what has a number beyond the highest is no object of kist, of any kind.
func TestNumbersInNames(t *testing.T) {
	for number, want := range map[string]bool{
		"1": true, "999999999": true, "1000000000": false, "9223372036854775807": false, "9223372036854775808": false,
		"-1": false, "+1": false, "01": false, "": false,
	} {
		_, _, capture := ParseCapture("captures/20260314t0203z-k7f3." + number)
		_, _, lease := ParseLease("leases/0123456789abcdef." + number)
		_, own := ParseOwn("place/" + number + ".settings")
		_, again := ParseOwn("place/" + number + ".settings.again")
		if is := []bool{capture == nil, lease == nil, IsSettings("place/" + number + ".settings"), own, again}; slices.Contains(is, !want) {
			t.Errorf("%q: %v", number, is)
		}
	}
	for name, want := range map[string]string{
		"place/0123456789abcdef": "place/0123456789abcdef", "place/0123456789abcdef.again": "place/0123456789abcdef",
		"place/3.settings.again": "place/3.settings", "place/0123456789abcdef.again.again": "", "place/.again": "", "holds/3.settings": "",
	} {
		if mark, ok := ParseOwn(name); ok != (want != "") || ok && mark != want {
			t.Errorf("%q is a copy of %q, %v", name, mark, ok)
		}
	}
}
