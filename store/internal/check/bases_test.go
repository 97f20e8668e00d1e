package check

import (
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// TestWantBases: what is wanted has all wanted that it stands on, by any way, be that listed or not; what is not wants nothing.
func TestWantBases(t *testing.T) {
	record := func(slab byte, bases ...byte) *format.SlabRecord {
		rec := &format.SlabRecord{Slab: format.SlabID{slab}}
		for _, b := range bases {
			rec.Frames = append(rec.Frames, format.TableFrame{Standing: format.Standing{Bases: []format.Base{{Slab: format.SlabID{b}, Count: 1}}}})
		}
		return rec
	}
	v := &verifier{}
	v.Slabs = make(map[format.SlabID]*SlabState)
	for _, rec := range []*format.SlabRecord{record(1), record(2, 1), record(3, 3, 2, 8), record(4, 5), record(5)} {
		v.state(rec.Slab).record = rec
	}
	v.state(format.SlabID{3}).wanted = true
	v.state(format.SlabID{7}).wanted = true // which no table lists
	v.wantBases()
	var wanted []byte
	for id, s := range v.Slabs {
		if s.wanted {
			wanted = append(wanted, id[0])
		}
	}
	if slices.Sort(wanted); !slices.Equal(wanted, []byte{1, 2, 3, 7, 8}) {
		t.Errorf("wanted are %v", wanted)
	}
}
