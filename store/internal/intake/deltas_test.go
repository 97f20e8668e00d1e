package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
)

// alikeOf gives chunks that differ from others in a byte.
func alikeOf(chunks [][]byte, by byte) (out [][]byte) {
	for _, c := range chunks {
		c = bytes.Clone(c)
		c[len(c)/2] ^= by
		out = append(out, c)
	}
	return out
}

// long gives chunks that have anchors.
func long(seed uint64, n int) (chunks [][]byte) {
	for _, c := range noise(seed, 3*n, 30_000) {
		if len(c) > 8_000 && len(chunks) < n {
			chunks = append(chunks, c)
		}
	}
	return chunks
}

// framesOf gives all frames that tables list, and what they list their chunks as.
func (r *repo) framesOf(t *testing.T) (frames []format.TableFrame) {
	for _, rec := range r.slabRecords(t) {
		frames = append(frames, rec.Frames...)
	}
	return frames
}

// TestOwnBases takes in chunks that are alike those before: they are said by them, by frames that are placed before.
func TestOwnBases(t *testing.T) {
	for _, deltas := range []Deltas{DeltasOff, DeltasOwn} {
		r := newRepo(t)
		r.deltas, r.maxChunk = deltas, format.MaxChunk
		in := r.start(t, t.Context(), known.New())
		s := in.Stream(Contents)
		first := long(1, 30)
		mustPut(t, in, s, first...)
		mustPut(t, in, s, alikeOf(first, 1)...)
		mustPut(t, in, s, alikeOf(first, 2)...)
		mustClose(t, in)
		numbers, stands := uint32(0), 0
		for _, f := range r.framesOf(t) {
			if f.Kind == format.Delta {
				stands++
				if f.Depth != 1 {
					t.Errorf("a frame of depth %d: own bases stand alone", f.Depth)
				}
			}
			for _, b := range f.Bases {
				if b.First+b.Count > numbers {
					t.Errorf("chunk %d is a base of a frame that begins with %d", b.First+b.Count-1, numbers)
				}
			}
			numbers += uint32(len(f.Chunks))
		}
		if stands > 0 != (deltas == DeltasOwn) || in.AnyDeltas() != (stands > 0) {
			t.Errorf("deltas %v: %d frames stand on others", deltas, stands)
		}
	}
}

// TestNothingIsAlike: what has no anchors in common stands alone, and so does a list that follows nothing.
func TestNothingIsAlike(t *testing.T) {
	r := newRepo(t)
	r.deltas, r.maxChunk = DeltasOwn, format.MaxChunk
	in := r.start(t, t.Context(), known.New())
	first := long(1, 10)
	mustPut(t, in, in.Stream(Contents), first...)
	mustPut(t, in, in.Stream(Listing), alikeOf(first, 1)...)
	mustPut(t, in, in.Stream(Contents), long(2, 10)...)
	mustPut(t, in, in.Stream(Contents), noise(3, 100, 40)...)
	mustClose(t, in)
	if in.AnyDeltas() {
		t.Error("a frame stands on another one")
	}
}

// TestBaseFlips flips a bit of the bases of a frame between taking and compressing them: what is sealed would be said by
// what is stored nowhere, and the session fails.
func TestBaseFlips(t *testing.T) {
	r := newRepo(t)
	r.deltas, r.maxChunk, r.workers = DeltasOwn, format.MaxChunk, 1
	r.flip = func(f *frame) {
		if f.depth > 0 {
			f.base[len(f.base)/3] ^= 1
		}
	}
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	first := long(1, 10)
	mustPut(t, in, s, first...)
	mustPut(t, in, s, alikeOf(first, 1)...)
	if _, err := in.Close(); !errors.Is(err, ErrChanged) {
		t.Errorf("Close gave %v", err)
	}
	in.Abandon(context.Background())
}

// TestFollow takes in what stood in the place of other chunks before: it is said by those, over two levels, and no deeper.
func TestFollow(t *testing.T) {
	r := newRepo(t)
	r.deltas, r.maxChunk = DeltasOn, format.MaxChunk
	content := long(1, 12)
	held := make(map[known.Ref][]byte)
	var before []format.Run
	for depth := range 4 {
		index := known.New()
		records := r.slabRecords(t)
		for _, rec := range records {
			if err := index.AddSlab(rec.Slab, rec.Frames); err != nil {
				t.Fatal(err)
			}
		}
		r.old = func(_ context.Context, slab format.SlabID, chunk uint32) (old Old, err error) {
			ref, ok := index.FindBeside(slab, chunk)
			if !ok {
				return old, fmt.Errorf("chunk %d of slab %s is not there", chunk, slab)
			}
			i := slices.IndexFunc(records, func(rec *format.SlabRecord) bool { return rec.Slab == slab })
			for n := range records[i].Frames {
				f := records[i].Frames[n].Frame()
				if old.First+uint32(len(f.Chunks)) > chunk {
					old.Data, old.Frame, old.Held = held[ref], n, &f
					return old, nil
				}
				old.First += uint32(len(f.Chunks))
			}
			return old, errors.New("no such frame")
		}
		q := new(Sequence)
		for _, run := range before {
			q.Add(index, run)
		}
		in := r.start(t, t.Context(), index)
		s := in.Stream(Contents)
		if err := in.Follow(s, q); err != nil {
			t.Fatal(err)
		}
		mustPut(t, in, s, content...)
		mustClose(t, in)
		before = runsOf(t, s)
		deepest := uint32(0)
		for _, f := range r.framesOf(t) {
			deepest = max(deepest, f.Depth)
		}
		if want := min(uint32(depth), format.MaxDepth); deepest != want {
			t.Errorf("after %d captures frames stand %d deep, not %d", depth+1, deepest, want)
		}
		if bases := in.Bases(before[len(before)-1].Slab); (depth > 0) != (len(bases) == 1) {
			t.Errorf("after %d captures, on slabs %v", depth+1, bases)
		}
		// What is where, by the next index: slabs come in the order of their tables.
		index = known.New()
		for _, rec := range r.slabRecords(t) {
			if err := index.AddSlab(rec.Slab, rec.Frames); err != nil {
				t.Fatal(err)
			}
		}
		at := 0
		for _, run := range before {
			for n := range run.Count {
				ref, _ := index.Find(run.Slab, run.First+n)
				held[ref] = content[at]
				at++
			}
		}
		content = alikeOf(content, 1<<depth)
	}
}

// TestFollowList takes in a list that is like what it was before: all but its begin is said by that, in frames of its own.
func TestFollowList(t *testing.T) {
	r := newRepo(t)
	r.deltas, r.maxChunk = DeltasOn, format.MaxChunk
	list := long(1, 12)
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Listing)
	mustPut(t, in, s, list...)
	mustClose(t, in)
	before, rec := runsOf(t, s), r.slabRecords(t)[0]
	held := rec.Frames[0].Frame()
	r.old = func(_ context.Context, _ format.SlabID, chunk uint32) (Old, error) {
		return Old{Data: list[chunk], Held: &held}, nil
	}
	index := known.New()
	if err := index.AddSlab(rec.Slab, rec.Frames); err != nil {
		t.Fatal(err)
	}
	q := new(Sequence)
	for _, run := range before {
		q.Add(index, run)
	}
	in = r.start(t, t.Context(), index)
	s = in.Stream(Listing)
	if err := in.Follow(s, q); err != nil {
		t.Fatal(err)
	}
	again := alikeOf(list, 1)
	mustPut(t, in, s, again...)
	mustPut(t, in, in.Stream(Contents), long(2, 3)...)
	mustClose(t, in)
	alone, said := 0, 0
	for _, f := range r.slabRecords(t)[1].Frames {
		switch {
		case f.Kind == format.Delta:
			said += len(f.Chunks)
		case f.Chunks[0] == uint32(len(again[0])):
			alone = len(f.Chunks)
		}
	}
	if said+alone != len(again) || alone == 0 || alone > 4 { // of more than 8000 bytes each
		t.Errorf("of %d chunks of a list %d stand alone and %d are said by others", len(again), alone, said)
	}
}

// TestSequence finds places of chunks, and goes along them.
func TestSequence(t *testing.T) {
	index := known.New()
	slab, other := format.SlabID{1}, format.SlabID{2}
	frame := format.TableFrame{Kind: format.Zstd, Sealed: 9}
	for i := range 10 {
		frame.Chunks, frame.IDs = append(frame.Chunks, 5), append(frame.IDs, append(make([]byte, 15), byte(i+1))...)
	}
	if err := index.AddSlab(slab, []format.TableFrame{frame}); err != nil {
		t.Fatal(err)
	}
	q := new(Sequence)
	for _, run := range []format.Run{{Slab: slab, First: 4, Count: 3, Times: 1}, {Slab: other, First: 0, Count: 1, Times: 1}, {Slab: slab, First: 8, Count: 9, Times: 1}, {Slab: slab, First: 7, Count: 1, Times: 1 << 31}, {Slab: slab, First: 0, Count: 2, Times: 1}} {
		q.Add(index, run)
	}
	in := &Intake{cfg: Config{Keys: newRepo(t).keys, Deltas: DeltasOn}}
	in.cfg.Old = func(context.Context, format.SlabID, uint32) (Old, error) { return Old{}, nil }
	b := q.start(newAssembler(in))
	var got []known.Ref
	for at := range q.length {
		got = append(got, q.ref(at))
	}
	if want := []known.Ref{4, 5, 6, 7, 0, 1}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	for _, step := range []struct {
		passed known.Ref
		at     int
	}{{4, 1}, {6, 3}, {9, 3}, {0, 5}, {1, 6}, {1, 6}, {4, 1}} {
		if b.passed(step.passed); b.at != step.at {
			t.Errorf("behind chunk %d the place is %d, not %d", step.passed, b.at, step.at)
		}
	}
}

// A chunk that is known, and of which can't be told again what it is, ends the session: else another one would stand in the
// digest of the stream.
func TestKnownCantBeTold(t *testing.T) {
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	chunks := noise(1, 20, 1000)
	mustPut(t, in, in.Stream(Contents), chunks...)
	mustClose(t, in)
	fails, failed := false, errors.New("it can't be read")
	records := r.slabRecords(t)
	x := known.New()
	x.Bound(1, func(int, format.SlabID) ([]*format.SlabRecord, error) {
		if fails {
			return nil, failed
		}
		return records, nil
	})
	for _, rec := range records {
		if err := x.AddSlab(rec.Slab, rec.Frames); err != nil {
			t.Fatal(err)
		}
	}
	if !x.Sampled() {
		t.Fatal("all is kept")
	}
	for _, fails = range []bool{false, true} {
		in = r.start(t, t.Context(), x)
		s := in.Stream(Contents)
		err := in.PutKnown(s, 3, 1000)
		if err == nil {
			err = in.Settle()
		}
		if fails {
			if !errors.Is(err, failed) {
				t.Errorf("the session goes on: %v", err)
			}
		} else if err != nil || s.Summary().Chunks != 1 {
			t.Errorf("%+v, %v", s.Summary(), err)
		}
		in.Abandon(context.Background())
		x.Forget(records[0].Slab) // which unloads it
	}
}

// TestRingIsBounded: what is held to be said by takes no more memory than that, however much is captured, and what went is not found.
func TestRingIsBounded(t *testing.T) {
	r, chunk := newRing(), make([]byte, format.DeltaTarget)
	frames := 2 * ringBytes / len(chunk)
	for i := range frames {
		r.anchors = append(r.anchors[:0], uint64(i))
		r.keep(i, chunk, crypt.Identity{})
		if r.bytes > ringBytes || len(r.frames)*len(chunk) > ringBytes || len(r.of) != len(r.frames) || len(r.free) > 1 {
			t.Fatalf("frame %d: %d bytes in %d frames, by %d anchors; %d are free", i, r.bytes, len(r.frames), len(r.of), len(r.free))
		}
	}
	if first := r.frames[0].number; first != frames-ringBytes/len(chunk) || r.of[uint64(first)].in != r.frames[0] {
		t.Errorf("the first frame is %d of %d", first, frames)
	}
}
