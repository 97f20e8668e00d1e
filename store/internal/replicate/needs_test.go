package replicate

import (
	"reflect"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// TestInTurn: no slab comes before those that it stands on, and all come, also where they stand on each other in a circle.
func TestInTurn(t *testing.T) {
	id := func(n int32) format.SlabID { return format.SlabID{byte(n)} }
	for name, c := range map[string]struct {
		slabs []int32
		bases map[int32][]int32
		want  [][]int32
	}{
		"nothing":                    {nil, nil, nil},
		"nothing stands":             {[]int32{0, 1, 2}, nil, [][]int32{{0, 1, 2}}},
		"a chain":                    {[]int32{0, 1, 2}, map[int32][]int32{0: {1}, 1: {2}}, [][]int32{{2}, {1}, {0}}},
		"two on one":                 {[]int32{0, 1, 2}, map[int32][]int32{0: {1}, 2: {1}}, [][]int32{{1}, {0, 2}}},
		"on one that is there":       {[]int32{0, 1}, map[int32][]int32{0: {3}}, [][]int32{{0, 1}}},
		"on itself":                  {[]int32{0}, map[int32][]int32{0: {0}}, [][]int32{{0}}},
		"a circle, and one beside":   {[]int32{0, 1, 2}, map[int32][]int32{0: {1}, 1: {0}}, [][]int32{{2}, {0, 1}}},
		"on one that nobody numbers": {[]int32{0}, map[int32][]int32{0: {9}}, [][]int32{{0}}},
	} {
		n := &needs{numbers: make(map[format.SlabID]int32), bases: bases{of: make(map[format.SlabID][]format.SlabID)}}
		for i := range int32(4) {
			n.ids = append(n.ids, id(i))
			n.numbers[id(i)] = i
		}
		for s, below := range c.bases {
			for _, b := range below {
				n.bases.of[id(s)] = append(n.bases.of[id(s)], id(b))
			}
		}
		if got := n.inTurn(c.slabs); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}
