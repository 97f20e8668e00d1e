package weigh

import (
	"errors"
	"testing"

	"github.com/kistarchive/kist/chunk/tarstream"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/weave"
)

// TestContentStoredTwice: a content is told by its chunks, whichever of two copies each is read from, and however its repeats are
// told of.
func TestContentStoredTwice(t *testing.T) {
	index := known.New()
	frame := format.TableFrame{Chunks: []uint32{1, 1}, IDs: append(append(make([]byte, 15), 1), append(make([]byte, 15), 2)...)}
	for slab := range byte(2) {
		if err := index.AddSlab(format.SlabID{slab + 1}, []format.TableFrame{frame}); err != nil {
			t.Fatal(err)
		}
	}
	type step struct {
		slab  byte
		chunk uint32
		times uint64
	}
	hash := func(steps ...step) content {
		left := uint64(0)
		for _, s := range steps {
			left += s.times
		}
		f := &finding{rolling: rolling{index: index}}
		c, err := f.content(left, func(uint64) (weave.Place, uint64, error, bool) {
			s := steps[0]
			steps = steps[1:]
			return weave.Place{Slab: format.SlabID{s.slab}, Chunk: s.chunk}, s.times, nil, true
		}, true)
		if err != nil || c.harmed != nil {
			t.Fatal(err, c.harmed)
		}
		return c
	}
	want := hash(step{1, 0, 2}, step{1, 1, 1})
	for _, steps := range [][]step{{{2, 0, 2}, {2, 1, 1}}, {{1, 0, 1}, {2, 0, 1}, {1, 1, 1}}, {{2, 0, 1}, {2, 0, 1}, {1, 1, 1}}} {
		if hash(steps...) != want {
			t.Errorf("%v is another content", steps)
		}
	}
	for _, steps := range [][]step{{{1, 0, 1}, {1, 1, 2}}, {{1, 0, 1}, {1, 1, 1}, {1, 0, 1}}, {{1, 0, 2}}, {{1, 1, 1}, {1, 0, 2}}} {
		if hash(steps...) == want {
			t.Errorf("%v is the same content", steps)
		}
	}
}

// TestContentsCutShort: where contents end too early, the members before that have what they hold, and those behind it are
// harmed.
func TestContentsCutShort(t *testing.T) {
	index := known.New()
	frame := format.TableFrame{Chunks: []uint32{1, 1}, IDs: append(append(make([]byte, 15), 1), append(make([]byte, 15), 2)...)}
	if err := index.AddSlab(format.SlabID{1}, []format.TableFrame{frame}); err != nil {
		t.Fatal(err)
	}
	contents := func(runs ...format.Run) map[int]content {
		t.Helper()
		v := (&ledger.Capture{IndexFile: &format.IndexFile{ID: "20260314t0203z-k7f3", Volumes: []format.Volume{{Contents: &format.Recipe{Runs: runs}}}}}).Volume(0)
		members := &roll{}
		for range 3 {
			members.entries = append(members.entries, rolled{member: &tarstream.Member{}, chunks: 1, wanted: true})
		}
		f := &finding{rolling: rolling{r: &Scales{}, index: index}}
		all, err := f.contents(t.Context(), v, members, map[int]int{0: 0, 1: 1, 2: 2})
		if len(all) != len(members.entries) || (err == nil) != (all[2].harmed == nil) {
			t.Errorf("%d members, %v", len(all), err)
		}
		return all
	}
	run := func(first, times uint32) format.Run {
		return format.Run{Slab: format.SlabID{1}, First: first, Count: 1, Times: times}
	}
	whole := contents(run(0, 1), run(1, 2))
	cut := contents(run(0, 1), run(1, 1))
	if cut[0] != whole[0] || cut[1] != whole[1] || whole[1] != whole[2] {
		t.Errorf("%v and %v before the end, not %v", cut[0], cut[1], whole)
	}
	if !errors.Is(cut[2].harmed, format.ErrDamaged) || cut[2].hash == whole[2].hash {
		t.Errorf("behind the end: %v", cut[2])
	}
}
