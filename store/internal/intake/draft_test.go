package intake

import (
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

// modelStream is a stream or a draft, and what it must hold.
type modelStream struct {
	*Stream
	chunks [][]byte
	fresh  int64
}

// session is a session beside a model of what is stored.
type session struct {
	*Intake
	repo   *repo
	hasher *crypt.Hasher
	refs   map[crypt.Identity]known.Ref // known before the session
	stored map[crypt.Identity]bool
}

// startModel starts a session in which the given chunks may be known.
func startModel(t *testing.T, r *repo, pool [][]byte) *session {
	index := r.known(t)
	s := &session{repo: r, hasher: r.keys.NewHasher(), refs: map[crypt.Identity]known.Ref{}, stored: map[crypt.Identity]bool{}}
	for _, c := range pool {
		id := s.hasher.Sum(c)
		if ref, ok := index.Lookup(id); ok {
			s.refs[id], s.stored[id] = ref, true
		}
	}
	s.Intake = r.start(t, t.Context(), index)
	return s
}

// take puts a chunk, or only tells its place if asked to and if that is known.
func (s *session) take(t *rapid.T, to *modelStream, chunk []byte, tell bool) {
	id := s.hasher.Sum(chunk)
	to.chunks = append(to.chunks, chunk)
	if ref, ok := s.refs[id]; ok && tell {
		if err := s.PutKnown(to.Stream, ref, len(chunk)); err != nil {
			t.Fatal(err)
		}
		return
	}
	if !s.stored[id] {
		s.stored[id] = true
		to.fresh += int64(len(chunk))
	}
	if err := putAll(s.Intake, to.Stream, chunk); err != nil {
		t.Fatal(err)
	}
}

// join appends a draft.
func (s *session) join(t *rapid.T, to, draft *modelStream) {
	to.chunks = append(to.chunks, draft.chunks...)
	to.fresh += draft.fresh
	if err := s.Append(to.Stream, draft.Stream); err != nil {
		t.Fatal(err)
	}
}

// check ends the session. Its streams must be what they would be if their chunks
// had been put one by one.
func (s *session) check(t *testing.T, rt *rapid.T, streams []*modelStream) {
	var direct []*Stream
	for _, m := range streams {
		d := s.Stream(Contents)
		mustPut(t, s.Intake, d, m.chunks...)
		direct = append(direct, d)
	}
	mustClose(t, s.Intake)
	for i, m := range streams {
		digest, bytes := crypt.NewDigestHasher(), 0
		for _, c := range m.chunks {
			digest.Add(s.hasher.Sum(c), len(c))
			bytes += len(c)
		}
		got := recipeOf(t, m.Stream)
		if got.Chunks != uint64(len(m.chunks)) || got.Bytes != uint64(bytes) || got.Digest != digest.Sum() {
			rt.Fatalf("stream %d: got %d chunks of %d bytes, digest %x; want %d of %d, %x",
				i, got.Chunks, got.Bytes, got.Digest, len(m.chunks), bytes, digest.Sum())
		}
		if want := recipeOf(t, direct[i]); !reflect.DeepEqual(got, want) {
			rt.Fatalf("stream %d: got %+v, put directly it is %+v", i, got, want)
		}
		if m.Fresh() != m.fresh || m.Empty() != (len(m.chunks) == 0) {
			rt.Fatalf("stream %d: %d bytes are fresh, want %d", i, m.Fresh(), m.fresh)
		}
		s.repo.wantChunks(t, got, m.chunks)
	}
	s.repo.wantWhole(t)
}

// Chunks that are put, told of as known, and drafted, in any order: a stream does
// not show how its chunks came, nor which drafts were given up beside it.
func TestDrafts(t *testing.T) {
	pool := append(noise(8, 5, 300), noise(9, 3, 7)...) // few, so that they repeat
	rapid.Check(t, func(rt *rapid.T) {
		r := newRepo(t)
		for range rapid.IntRange(1, 3).Draw(rt, "sessions") {
			s := startModel(t, r, pool)
			streams := []*modelStream{{Stream: s.Stream(Contents)}, {Stream: s.Stream(Listing)}}
			var drafts []*modelStream
			lane := rapid.SampledFrom([]Lane{Contents, Listing})
			rt.Repeat(map[string]func(*rapid.T){
				"put": func(rt *rapid.T) {
					to := rapid.SampledFrom(slices.Concat(streams, drafts)).Draw(rt, "to")
					chunk := rapid.SampledFrom(pool).Draw(rt, "chunk")
					for range rapid.SampledFrom([]int{1, 1, 1, 3}).Draw(rt, "times") {
						s.take(rt, to, chunk, rapid.Bool().Draw(rt, "tell"))
					}
				},
				"draft": func(rt *rapid.T) {
					drafts = append(drafts, &modelStream{Stream: s.Draft(lane.Draw(rt, "lane"))})
				},
				"append": func(rt *rapid.T) {
					i, draft := pick(rt, drafts)
					drafts = slices.Delete(drafts, i, i+1)
					s.join(rt, rapid.SampledFrom(slices.Concat(streams, drafts)).Draw(rt, "to"), draft)
				},
				"give up": func(rt *rapid.T) {
					i, _ := pick(rt, drafts)
					drafts = slices.Delete(drafts, i, i+1)
				},
				"settle": func(rt *rapid.T) {
					if err := s.Settle(); err != nil {
						rt.Fatal(err)
					}
				},
			})
			s.check(t, rt, streams)
		}
	})
}

// pick draws one of all, and skips the step if there is none.
func pick(t *rapid.T, all []*modelStream) (int, *modelStream) {
	if len(all) == 0 {
		t.Skip("no draft is open")
	}
	i := rapid.IntRange(0, len(all)-1).Draw(t, "draft")
	return i, all[i]
}

// A chunk that repeats within a draft, and across both of its ends.
func TestDraftOfRepeatedChunks(t *testing.T) {
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	a, b := []byte("a"), []byte("b")
	s, draft, lost := in.Stream(Contents), in.Draft(Contents), in.Draft(Contents)
	mustPut(t, in, s, a, a)
	mustPut(t, in, lost, b, b, []byte("lost"))
	mustPut(t, in, draft, a, a, a, b, b)
	if err := in.Append(s, draft); err != nil {
		t.Fatal(err)
	}
	mustPut(t, in, s, b)
	mustClose(t, in)
	got := runsOf(t, s)
	if len(got) != 2 || got[0].Times != 5 || got[1].Times != 3 {
		t.Errorf("runs: %v", got)
	}
	r.wantChunks(t, recipeOf(t, s), [][]byte{a, a, a, a, a, b, b, b})
	if s.Fresh() != 1 || lost.Fresh() != 5 {
		t.Errorf("%d bytes are fresh, and %d that were given up", s.Fresh(), lost.Fresh())
	}
}

// Chunks that are known take part of a batch without bytes in it: any number of
// them passes, and a bounded number waits.
func TestManyKnownChunks(t *testing.T) {
	r := newRepo(t)
	chunks := noise(10, 3, 50)
	in := r.start(t, t.Context(), known.New())
	mustPut(t, in, in.Stream(Contents), chunks...)
	mustClose(t, in)

	index := r.known(t)
	in = r.start(t, t.Context(), index)
	s := in.Stream(Contents)
	const count = 3*batchChunks + 1
	for i := range count {
		if err := in.PutKnown(s, known.Ref(i%3), 50); err != nil {
			t.Fatal(err)
		}
		if n := len(in.current.pieces); n > batchChunks {
			t.Fatalf("%d chunks in a batch", n)
		}
	}
	if w := mustClose(t, in); w != (Written{}) {
		t.Errorf("written: %+v", w)
	}
	if got := s.Summary(); got.Chunks != count || got.Bytes != 50*count || s.Fresh() != 0 {
		t.Errorf("%d chunks of %d bytes, %d fresh", got.Chunks, got.Bytes, s.Fresh())
	}
	var first format.Run
	if runs := runsOf(t, s); len(runs) > 0 {
		first = runs[0]
	}
	if first.First != 0 || first.Count != 3 {
		t.Errorf("the first run is %+v", first)
	}
}
