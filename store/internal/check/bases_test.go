package check

import (
	"errors"
	"maps"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/fetch"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/storage"
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

// TestBadBase: what stands on a slab that is bad as a whole, or on a frame that is, can't be read for that; what names a base
// behind the end of its slab, or one as deep as itself, for itself.
func TestBadBase(t *testing.T) {
	id := crypt.NewRepositoryID()
	keys, err := crypt.NewRootKey().Derive(id)
	if err != nil {
		t.Fatal(err)
	}
	st := storage.NewMemory()
	in, err := intake.New(t.Context(), intake.Config{
		Storage: st, Repository: id, Keys: keys, Index: known.New(), MaxChunk: format.MaxChunk, Workers: 1, TableName: func() string { return "20260314t0203z-0001" },
	})
	if err != nil {
		t.Fatal(err)
	}
	s := in.Stream(intake.Contents)
	buf, err := in.Reserve()
	if err != nil {
		t.Fatal(err)
	}
	in.Put(s, copy(buf, "a bean"))
	if _, err := in.Close(); err != nil {
		t.Fatal(err)
	}
	var base format.SlabID
	if err := s.Runs(func(run format.Run) error { base = run.Slab; return nil }); err != nil {
		t.Fatal(err)
	}
	slabs, err := fetch.New(st, id, keys)
	if err != nil {
		t.Fatal(err)
	}
	defer slabs.Close()
	bad, upper := errors.New("bad"), badPlace{format.SlabID{1}, 0}
	for name, test := range map[string]struct {
		bad    map[int]error // of the base's slab
		first  uint32
		depth  uint32
		at     badPlace
		damage bool
	}{
		"nothing":                             {nil, 0, 1, badPlace{base, 0}, false},
		"the base's frame":                    {map[int]error{0: bad}, 0, 1, badPlace{base, 0}, true},
		"its slab":                            {map[int]error{-1: bad}, 0, 1, badPlace{base, -1}, true},
		"a base behind the end":               {nil, 500, 1, upper, true},
		"a base as deep as what stands on it": {nil, 0, 0, upper, true},
	} {
		v := &verifier{r: &Verifier{slabs: slabs}}
		v.Slabs = make(map[format.SlabID]*SlabState)
		v.state(upper.slab).standing = []format.Frame{{Standing: format.Standing{Depth: test.depth}}}
		maps.Copy(v.state(base).Bad, test.bad)
		at, damage, err := v.badBase(t.Context(), upper, format.Base{Slab: base, First: test.first, Count: 1})
		if err != nil || at != test.at || (damage != nil) != test.damage || len(test.bad) > 0 && damage != bad {
			t.Errorf("%s is bad: %v at %v, %v", name, damage, at, err)
		}
	}
}
