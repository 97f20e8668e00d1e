package intake

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

// oldSlabs are slabs, by number from 1 on, of a frame each.
type oldSlabs struct {
	in     *Intake
	chunks map[byte][][]byte
	frames map[byte]*format.Frame
	bad    map[byte]bool // they can't be read
	reads  int
}

func newOldSlabs(t *testing.T) *oldSlabs {
	s := &oldSlabs{chunks: make(map[byte][][]byte), frames: make(map[byte]*format.Frame), bad: make(map[byte]bool)}
	s.in = &Intake{ctx: t.Context(), cfg: Config{Keys: newRepo(t).keys, Deltas: DeltasOn, Index: known.New()}}
	s.in.cfg.Old = func(_ context.Context, slab format.SlabID, n uint32) (Old, error) {
		if s.reads++; s.bad[slab[0]] {
			return Old{}, errors.New("it can't be read")
		}
		return Old{Data: s.chunks[slab[0]][n], Held: s.frames[slab[0]]}, nil
	}
	return s
}

// add adds a slab that holds chunks, of which the index may say other ones.
func (s *oldSlabs) add(t *testing.T, depth uint32, bases []format.Base, said [][]byte, chunks ...[]byte) {
	t.Helper()
	n := byte(len(s.frames) + 1)
	f := &format.Frame{Kind: format.Zstd, Sealed: 100, Standing: format.Standing{Depth: depth, Bases: bases}}
	var ids []byte
	for i := range chunks {
		f.Chunks = append(f.Chunks, uint32(len(chunks[i])))
		id := s.in.cfg.Keys.NewHasher().Sum(said[i])
		ids = append(ids, id[:]...)
	}
	s.frames[n], s.chunks[n] = f, chunks
	listed := f.Listed()
	listed.IDs = ids
	if err := s.in.cfg.Index.AddSlab(format.SlabID{n}, []format.TableFrame{listed}); err != nil {
		t.Fatal(err)
	}
}

func at(slab byte, chunk uint32) Stood { return Stood{Slab: format.SlabID{slab}, Chunk: chunk} }

// TestStandOn: a chunk is said by those that its frame stood on which it is like, in their order, as far as they can be read.
func TestStandOn(t *testing.T) {
	c := long(1, 4)
	chunk := slices.Concat(c[2], c[0][:len(c[0])*3/4]) // of the third most
	s := newOldSlabs(t)
	s.add(t, 0, nil, c, c...)
	s.add(t, 1, nil, c[:1], c[0])
	s.add(t, 2, []format.Base{{Slab: format.SlabID{2}, Count: 1}}, c[2:3], c[2]) // whatever that stands on
	s.add(t, 0, nil, c[1:2], c[0])                                               // the index says that it is another one
	s.add(t, 0, nil, c[2:3], c[2])
	s.bad[5] = true
	hardly := slices.Concat(c[1], chunk[:2_000], c[3])
	s.add(t, 0, nil, [][]byte{hardly}, hardly)
	hasher := s.in.cfg.Keys.NewHasher()
	moved, late := slices.Concat(c[2], c[3]), slices.Concat(c[2], c[1])
	for n, chunk := range [][]byte{moved, late} {
		if _, err := s.in.cfg.Index.Add(hasher.Sum(chunk), n, 0); err != nil {
			t.Fatal(err)
		}
		if n == 0 { // of the other one it is not known yet where it lies
			s.in.cfg.Index.PlaceFrame(n, format.SlabID{7}, 0)
			s.in.cfg.Index.FindAdded()
			s.frames[7], s.chunks[7] = &format.Frame{Kind: format.Zstd, Sealed: 100, Chunks: []uint32{uint32(len(chunk))}}, [][]byte{chunk}
		}
	}
	by := func(chunk []byte) Stood { return Stood{ID: hasher.Sum(chunk)} }
	for name, test := range map[string]struct {
		on   []Stood
		want string
	}{
		"all":                        {[]Stood{at(1, 0), at(1, 1), at(1, 2), at(1, 3)}, "1:0 1:2"},
		"one":                        {[]Stood{at(1, 1), at(1, 0)}, "1:0"},
		"those that are unlike":      {[]Stood{at(1, 1), at(1, 3)}, ""},
		"one that it is hardly like": {[]Stood{at(6, 0)}, ""},
		"one twice":                  {[]Stood{at(1, 2), at(1, 2)}, "1:2"},
		"one time and again":         {append(slices.Repeat([]Stood{at(1, 2)}, 1000), at(1, 0)), "1:2 1:0"}, // it takes up no room of others
		"its equal does not help":    {[]Stood{at(2, 0), at(1, 0)}, "2:0"},
		"one of depth 2":             {[]Stood{at(3, 0)}, "2:0"},
		"another than is said":       {[]Stood{at(4, 0)}, ""},
		"one that can't be read":     {[]Stood{at(5, 0), at(1, 0)}, "1:0"},
		"one that is not known":      {[]Stood{at(9, 0), at(1, 7)}, ""},
		"by identity":                {[]Stood{by(c[1]), by(c[3]), at(1, 0)}, "1:0"},
		"by identities alone":        {[]Stood{by(c[1]), by(c[0])}, "1:0"},
		"by one that is unknown":     {[]Stood{by([]byte("unknown"))}, ""},
		"by one that was moved":      {[]Stood{by(moved)}, "7:0"},
		"by one without a place":     {[]Stood{by(late)}, ""},
		"nothing":                    {nil, ""},
		"nothing, though there is":   {[]Stood{{}}, ""},
	} {
		got := ""
		for _, b := range (&stood{olds: newAssembler(s.in).olds, on: test.on}).like(chunk).bases {
			got += fmt.Sprintf(" %d:%d", b.slab[0], b.n)
		}
		if got != "" {
			got = got[1:]
		}
		if got != test.want {
			t.Errorf("%s: it stands on %q, not %q", name, got, test.want)
		}
	}
}

// TestStandOnIsBounded: however many chunks are told, and whether or not they can be read, only some are.
func TestStandOnIsBounded(t *testing.T) {
	s := newOldSlabs(t)
	c := long(1, 200)
	for range 50 {
		s.add(t, 0, nil, c[:1], c[0])
	}
	s.add(t, 0, nil, c, c...)
	s.in.cfg.Index.FindAdded()
	var bad, frames, chunks []Stood
	for n := range uint32(200) {
		bad, chunks = append(bad, at(1, 0)), append(chunks, at(51, n))
	}
	for n := range byte(50) {
		frames = append(frames, at(n+1, 0))
	}
	for name, test := range map[string]struct {
		on   []Stood
		bad  bool
		most int
	}{
		"those that can't be read": {bad, true, mostStood/format.DeltaTarget + 1},
		"frames":                   {frames, false, mostStoodFrames},
		"bytes":                    {chunks, false, mostStood/8_000 + 1},
	} {
		s.reads, s.bad[1] = 0, test.bad
		(&stood{olds: newAssembler(s.in).olds, on: test.on}).like(c[0])
		if s.reads > test.most || s.reads == 0 {
			t.Errorf("%s: %d are read, and %d are the most", name, s.reads, test.most)
		}
	}
}

// TestFewFrames: no chunk is said by more frames than one may stand on, whoever found them.
func TestFewFrames(t *testing.T) {
	var all []basis
	for n := range format.MaxBaseFrames + 3 {
		all = append(all, basis{frame: -1, of: n, n: 0}, basis{frame: -1, of: n, n: 1})
	}
	if got := fewFrames(all); len(got) != 2*format.MaxBaseFrames {
		t.Errorf("%d bases, not %d", len(got), 2*format.MaxBaseFrames)
	}
	if got := fewFrames(all[:6]); len(got) != 6 {
		t.Errorf("%d bases of few frames, not 6", len(got))
	}
}

// TestShare: of ways that count equal anchors once or each, the greater part is more.
func TestShare(t *testing.T) {
	each, once := likes{hits: 40, most: 124}, likes{hits: 36, most: 74}
	if each.share() >= once.share() || (&likes{}).share() != 0 {
		t.Errorf("%v and %v", each.share(), once.share())
	}
}
