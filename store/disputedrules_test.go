package store_test

import (
	"bytes"
	"path"
	"slices"
	"testing"

	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/names"
)

// The tests of this file hold which of two contradicting accounts of a chunk is believed, and what is
// said where none is to be.

// exchangeChunk flips a bit of a chunk, and has its tables say what it is then: nothing is disputed, but what was
// captured is not there.
func (f *forge) exchangeChunk(at chunkAt) {
	f.t.Helper()
	f.flip(at)
	now := slices.Clone(at.content)
	now[len(now)/2] ^= 4
	f.lie(at.slab, at.frame, at.chunk, now)
}

// laterRival is rival with a table that is read last.
func (f *forge) laterRival(at chunkAt, other []byte) {
	f.t.Helper()
	f.rival(at.slab, at.frame, at.chunk, other)
	name := names.Table("20260314t0203z-0001")
	all := f.tableRecords()
	for was, records := range all {
		if was == name || !slices.ContainsFunc(records, func(r *format.SlabRecord) bool { return r.Slab == at.slab }) {
			continue
		}
		// The true one comes under an earlier name than the rival.
		f.remove(was)
		var encoded [][]byte
		for _, r := range records {
			encoded = append(encoded, r.Encode())
		}
		f.count = -1
		f.table(encoded...)
	}
	if now := slices.Sorted(func(yield func(string) bool) {
		for n := range f.tableRecords() {
			if !yield(n) {
				return
			}
		}
	}); path.Base(now[len(now)-1]) != path.Base(name) {
		f.t.Fatalf("the rival is not read last: %v", now)
	}
}

// chunkWith gives the chunk that has some bytes.
func (f *forge) chunkWith(b []byte) chunkAt {
	f.t.Helper()
	for _, c := range f.allChunks() {
		if bytes.Contains(c.content, b) {
			return c
		}
	}
	f.t.Fatal("no chunk has that")
	return chunkAt{}
}

func (f *fixture) fullReport() *store.Report {
	f.t.Helper()
	report, err := f.Verify(f.t.Context(), store.VerifyOptions{Full: true})
	if err != nil {
		f.t.Fatal(err)
	}
	return report
}

// TestRivalReadLast: a table that contradicts the first one, which is true, is damage as well.
func TestRivalReadLast(t *testing.T) {
	f := newFixture(t)
	f.capture(tarOf(t, lots(0)...))
	g := tamperWith(t, f.mem, f.key)
	g.laterRival(g.chunkWith([]byte("the end of the shelf")), []byte("the end of the range"))
	f.reopen()
	if f.fullReport().OK {
		t.Error("a table that says something else is not told of")
	}
	if _, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil {
		t.Fatal(err)
	}
	f.verify(t.Context())
}

// TestDisputeExplainsNoOtherHarm: where a stream is not what was captured, and what is said of a disputed chunk
// in it does not make it so, all of it is harmed, and not that chunk alone.
func TestDisputeExplainsNoOtherHarm(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	c := f.capture(tarOf(t, file{name: "a", content: random(1, 100_000)}, file{name: "b", content: random(2, 100_000)}))
	g := tamperWith(t, f.mem, f.key)
	g.exchangeChunk(g.chunkWith(random(1, 100_000)[:100]))
	disputed := g.chunkWith(random(2, 100_000)[:100])
	g.lie(disputed.slab, disputed.frame, disputed.chunk, random(3, len(disputed.content)))
	f.reopen()
	if harmed := membersHarmed(f.fullReport(), c.ID); !slices.Contains(harmed, "") {
		t.Errorf("harmed are %q, and not all", harmed)
	}
}

// TestDisputeStaysOne: a frame that a table still says something else of is damage, whatever was said formerly
// of another chunk in it.
func TestDisputeStaysOne(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	c := f.capture(tarOf(t, file{name: "a", content: random(1, 200_000)}))
	f.retire(c)
	f.capture(random(2, 200_000))
	g := tamperWith(t, f.mem, f.key)
	at := g.chunkWith(random(1, 200_000)[:100])
	g.retell(func(rec *format.SlabRecord) bool {
		if rec.Slab != at.slab || len(rec.Frames[at.frame].Chunks) < 2 {
			return false
		}
		frame := &rec.Frames[at.frame]
		frame.IDs = lying(frame.IDs, 0, g.hasher.Sum([]byte("bean")))
		frame.Former = format.AppendFormer(nil, 1, g.hasher.Sum([]byte("pea")))
		return true
	})
	f.reopen()
	if f.fullReport().OK {
		t.Error("what a table still says is not told of")
	}
}

// TestWrongSeenListIsLeftOut: a list of captures seen that is not the one that was written, and can be read,
// goes where captures are healed: nothing is lost without it, and it may name captures that never were.
func TestWrongSeenListIsLeftOut(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	seen := f.capture(own)
	c := f.capture(shared)
	g := tamperWith(t, f.mem, f.key)
	g.exchangeChunk(g.chunkWith([]byte(seen.ID + "\n")))
	g.flip(g.chunkWith(own[:100]))
	f.reopen()
	if out, err := f.Repair(t.Context(), store.RepairOptions{}); err != nil || !slices.Contains(out.Healed, c.ID) || len(out.Vanished) > 0 {
		t.Errorf("%+v, %v", out, err)
	}
}
