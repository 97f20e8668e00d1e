package take

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/intake"
	"github.com/kistarchive/kist/store/internal/vault"
)

// priorBytes is a stream whose chunks are of all lengths: much of it cuts nowhere,
// and then it cuts by the longest chunk.
func priorBytes() []byte {
	var b bytes.Buffer
	for i := range 12_000 {
		fmt.Fprintf(&b, "lot %d, shelf %x\n", i, i*i*i)
	}
	b.Write(make([]byte, 100_000))
	for i := range 12_000 {
		fmt.Fprintf(&b, "shelf %x, lot %d\n", i*i*i, i)
	}
	return b.Bytes()
}

// testSession begins a session.
func testSession(t *testing.T, r *Taker) *session {
	t.Helper()
	s, err := r.newSession(t.Context(), Options{Meter: vault.NewMeter(nil)})
	if err == nil {
		err = s.await()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.abandon(context.Background()) })
	return s
}

// takePlain takes in a stream as any writer does.
func takePlain(t testing.TB, s *session, b []byte) format.Recipe {
	t.Helper()
	out := s.Intake.Stream(intake.Listing)
	w, err := s.ListWriter(out)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Write(b); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return settled(t, s, out)
}

func settled(t testing.TB, s *session, stream *intake.Stream) format.Recipe {
	t.Helper()
	if err := s.Intake.Settle(); err != nil {
		t.Fatal(err)
	}
	recipe, err := s.Recipe(stream)
	if err != nil {
		t.Fatal(err)
	}
	return recipe
}

// prepareSplices gives a session in a repository that holds priorBytes, and those.
func prepareSplices(t *testing.T) (*session, *priorStream, []byte) {
	t.Helper()
	r := newTaker(t)
	before := priorBytes()
	first := testSession(t, r)
	recipe := takePlain(t, first, before)
	if _, err := first.Intake.Close(); err != nil {
		t.Fatal(err)
	}
	s := testSession(t, r)
	prior, err := newPriorStream(t.Context(), r.slabs, s.index, &recipe)
	if err != nil {
		t.Fatal(err)
	}
	return s, prior, before
}

// TestSplices puts streams together of parts of one before and of other bytes, and
// compares them with the same bytes cut from front to back.
func TestSplices(t *testing.T) {
	s, prior, before := prepareSplices(t)
	total := len(before)
	rapid.Check(t, func(t *rapid.T) {
		out := s.Intake.Stream(intake.Listing)
		p, err := newSplicer(s.Weaver, out, prior)
		if err != nil {
			t.Fatal(err)
		}
		var want []byte
		at := 0
		for range rapid.IntRange(0, 8).Draw(t, "parts") {
			switch rapid.SampledFrom([]string{"keep", "keep", "write", "replace", "skip", "seek", "end"}).Draw(t, "part") {
			case "keep":
				at = keepPart(t, p, before, at, rapid.IntRange(0, total/2).Draw(t, "bytes"), &want)
			case "end":
				at = keepPart(t, p, before, at, total, &want)
			case "write":
				want = writePart(t, p, want, rapid.SampledFrom([]int{0, 1, 500, 300_000}).Draw(t, "new bytes"))
			case "replace":
				n := min(rapid.IntRange(0, 500).Draw(t, "replaced bytes"), total-at)
				want = writePart(t, p, want, n)
				at += n
			case "skip":
				at = min(at+rapid.IntRange(0, 5000).Draw(t, "skipped"), total)
			case "seek":
				at = int(prior.chunks[rapid.IntRange(0, len(prior.chunks)-1).Draw(t, "chunk")].start)
			}
		}
		if err := p.finish(); err != nil {
			t.Fatal(err)
		}
		if err := s.Intake.Settle(); err != nil {
			t.Fatal(err)
		}
		if got, want := out.Summary(), plainSummary(t, s, want); got.Digest != want.Digest || got.Chunks != want.Chunks {
			t.Fatalf("%d chunks, want %d, or other ones", got.Chunks, want.Chunks)
		}
	})
}

// writePart writes n bytes that were not there before.
func writePart(t *rapid.T, p *splicer, want []byte, n int) []byte {
	b := make([]byte, n)
	rand.NewChaCha8([32]byte{byte(len(want)), byte(len(want) >> 8)}).Read(b)
	if err := p.write(b); err != nil {
		t.Fatal(err)
	}
	return append(want, b...)
}

// keepPart keeps up to n bytes at a place, member by member.
func keepPart(t *rapid.T, p *splicer, before []byte, at, n int, want *[]byte) int {
	n = min(n, len(before)-at)
	*want = append(*want, before[at:at+n]...)
	for step := rapid.IntRange(50, 5000).Draw(t, "step"); n > 0; {
		k := min(step, n)
		if err := p.keep(uint64(at), uint64(k)); err != nil {
			t.Fatal(err)
		}
		at, n = at+k, n-k
	}
	return at
}

func plainSummary(t *rapid.T, s *session, b []byte) format.Recipe {
	out := s.Intake.Stream(intake.Listing)
	w, err := s.ListWriter(out)
	if err != nil {
		t.Fatal(err)
	}
	w.Write(b)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Intake.Settle(); err != nil {
		t.Fatal(err)
	}
	return out.Summary()
}

// TestSpliceFallsIntoStep changes one byte in front: behind the first chunks
// nothing is read, cut or hashed again.
func TestSpliceFallsIntoStep(t *testing.T) {
	s, prior, before := prepareSplices(t)
	out := s.Intake.Stream(intake.Listing)
	p, err := newSplicer(s.Weaver, out, prior)
	if err != nil {
		t.Fatal(err)
	}
	if err := p.write([]byte("L")); err != nil {
		t.Fatal(err)
	}
	for at := 1; at < len(before); at += 100 {
		if err := p.keep(uint64(at), uint64(min(100, len(before)-at))); err != nil {
			t.Fatal(err)
		}
		if at > p.limit+s.Params.Max() && p.step < 0 {
			t.Fatalf("out of step at byte %d", at)
		}
	}
	if err := p.finish(); err != nil {
		t.Fatal(err)
	}
	recipe := settled(t, s, out)
	if want := takePlain(t, s, append([]byte("L"), before[1:]...)); recipe.Digest != want.Digest {
		t.Error("another stream than the one that was written")
	}
	if out.Fresh() > int64(s.Params.Max()) {
		t.Errorf("%d bytes were new", out.Fresh())
	}
}

// TestSpliceReplaced replaces bytes right behind where a chunk ended and ends again:
// what comes behind them stands where it did before, and they do not.
func TestSpliceReplaced(t *testing.T) {
	s, prior, before := prepareSplices(t)
	for i := 3; i < len(prior.chunks)-3; i++ {
		out := s.Intake.Stream(intake.Listing)
		p, err := newSplicer(s.Weaver, out, prior)
		if err != nil {
			t.Fatal(err)
		}
		from, at := prior.chunks[i-3].start, prior.chunks[i].start
		other := []byte("other bytes than before")
		behind := at + uint64(len(other))
		err = errors.Join(
			p.write([]byte("new")), p.keep(from, at-from), p.write(other), p.keep(behind, prior.length-behind), p.finish(),
		)
		if err != nil {
			t.Fatal(err)
		}
		got := settled(t, s, out)
		want := takePlain(t, s, slices.Concat([]byte("new"), before[from:at], other, before[behind:]))
		if got.Digest != want.Digest {
			t.Errorf("replaced at chunk %d: another stream than the one that was written", i)
		}
	}
}

// TestSpliceBeyondEnd refuses to keep what was never there.
func TestSpliceBeyondEnd(t *testing.T) {
	s, prior, before := prepareSplices(t)
	p, err := newSplicer(s.Weaver, s.Intake.Stream(intake.Listing), prior)
	if err != nil {
		t.Fatal(err)
	}
	n := uint64(len(before))
	for _, part := range [][2]uint64{{0, n + 1}, {n, 1}, {n + 1, 0}, {1, 1<<64 - 1}, {1<<64 - 1, 1}} {
		if err := p.keep(part[0], part[1]); err == nil {
			t.Errorf("kept %d bytes at %d of %d", part[1], part[0], n)
		}
	}
}
