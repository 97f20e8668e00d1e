package weigh

import (
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
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
