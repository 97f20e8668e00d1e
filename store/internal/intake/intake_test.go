package intake

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"runtime"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
	"github.com/kistarchive/kist/store/storage"
)

// Chunks of all sizes, some of them several times, in two lanes and several
// sessions: what comes out is what went in.
func TestChunksInAndOut(t *testing.T) {
	base := noise(1, 1, 1<<20)[0]
	rapid.Check(t, func(rt *rapid.T) {
		r := newRepo(t)
		r.maxChunk = rapid.SampledFrom([]int{1, 100, testMaxChunk}).Draw(rt, "longest")
		r.workers = rapid.IntRange(1, 3).Draw(rt, "workers")
		chunk := rapid.Custom(func(rt *rapid.T) []byte {
			n := rapid.OneOf(rapid.IntRange(1, r.maxChunk), rapid.SampledFrom([]int{1, r.maxChunk})).Draw(rt, "size")
			from := rapid.IntRange(0, 3).Draw(rt, "from")
			return base[from : from+n]
		})
		for range rapid.IntRange(1, 3).Draw(rt, "sessions") {
			in := r.start(t, t.Context(), r.known(t))
			streams := []*Stream{in.Stream(Contents), in.Stream(Listing), in.Stream(Contents)}
			want := make([][][]byte, len(streams))
			for range rapid.IntRange(0, 60).Draw(rt, "steps") {
				if rapid.IntRange(0, 20).Draw(rt, "settle") == 20 {
					if err := in.Settle(); err != nil {
						rt.Fatal(err)
					}
				}
				i := rapid.IntRange(0, len(streams)-1).Draw(rt, "stream")
				c := chunk.Draw(rt, "chunk")
				mustPut(t, in, streams[i], c)
				want[i] = append(want[i], c)
			}
			mustClose(t, in)
			for i, s := range streams {
				recipe := recipeOf(t, s)
				if s.Empty() != (len(want[i]) == 0) || recipe.Chunks != uint64(len(want[i])) {
					rt.Fatalf("stream %d has %d chunks, want %d", i, recipe.Chunks, len(want[i]))
				}
				r.wantChunks(t, recipe, want[i])
			}
			r.wantWhole(t)
		}
	})
}

func TestLongestChunks(t *testing.T) {
	r := newRepo(t)
	r.maxChunk = format.MaxChunk
	chunks := append(noise(1, 3, format.MaxChunk), []byte{1}, make([]byte, format.MaxChunk), []byte{2})
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	mustPut(t, in, s, chunks...)
	mustClose(t, in)
	r.wantChunks(t, recipeOf(t, s), chunks)
	r.wantWhole(t)
}

func TestEmptySession(t *testing.T) {
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	if w := mustClose(t, in); w != (Written{}) {
		t.Errorf("written: %+v", w)
	}
	if !s.Empty() || runsOf(t, s) != nil || s.Fresh() != 0 {
		t.Error("a stream without chunks is not empty")
	}
	if all := r.listed(t, ""); len(all) != 0 {
		t.Errorf("stored: %q", all)
	}
	r.wantChunks(t, recipeOf(t, s), nil)
}

// mixed takes in a mixture: noise, zeros, repetitions, both lanes. It gives what
// must not depend on chance: frames, and runs with slabs by their order.
func mixed(t *testing.T, r *repo) string {
	t.Helper()
	in := r.start(t, t.Context(), known.New())
	contents, listing := in.Stream(Contents), in.Stream(Listing)
	hard, easy := noise(7, 1, 2<<20)[0], bytes.Repeat([]byte("catalogue of seeds, "), 1<<17)
	for i, n := 0, 1; len(hard) > testMaxChunk && len(easy) > testMaxChunk; i, n = i+1, (n*31+i)%testMaxChunk+1 {
		mustPut(t, in, contents, hard[:n], easy[:n])
		if i%5 == 0 {
			mustPut(t, in, listing, easy[:n/7+1])
		}
		if i%13 == 0 {
			mustPut(t, in, contents, make([]byte, 4096), make([]byte, 4096), hard[:n])
		}
		hard, easy = hard[n/2:], easy[n/3:]
	}
	mustClose(t, in)
	order := map[format.SlabID]int{}
	var out bytes.Buffer
	for i, record := range r.slabRecords(t) {
		order[record.Slab] = i
		for _, f := range record.Frames {
			fmt.Fprintln(&out, "frame", f.Kind, f.Sealed, f.Chunks)
		}
	}
	for _, s := range []*Stream{contents, listing} {
		for _, run := range runsOf(t, s) {
			fmt.Fprintln(&out, "run", order[run.Slab], run.First, run.Count, run.Times)
		}
	}
	return out.String()
}

// The same input gives the same frames and runs, however many workers there are.
func TestDeterminism(t *testing.T) {
	var want string
	for _, procs := range []int{1, 4} {
		for _, workers := range []int{1, 2, 8} {
			t.Run(fmt.Sprintf("procs=%d/workers=%d", procs, workers), func(t *testing.T) {
				defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(procs))
				r := newRepo(t)
				r.workers = workers
				got := mixed(t, r)
				if want == "" {
					want = got
				}
				if got != want {
					t.Errorf("frames or runs differ:\n%s\nand before\n%s", got, want)
				}
			})
		}
	}
}

// Frames hold chunks of one lane, and no more than FrameTarget unless of one
// chunk.
func TestFramesAndLanes(t *testing.T) {
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	contents, listing := in.Stream(Contents), in.Stream(Listing)
	for i, c := range noise(3, 100, 40000) {
		mustPut(t, in, contents, c)
		mustPut(t, in, listing, c[:i+1])
	}
	mustClose(t, in)
	lane := map[uint32]string{} // by number of the chunk
	for what, s := range map[string]*Stream{"contents": contents, "listing": listing} {
		for _, run := range runsOf(t, s) {
			for i := range run.Count {
				lane[run.First+i] = what
			}
		}
	}
	n := uint32(0)
	for _, record := range r.slabRecords(t) {
		for i, tf := range unpadded(record.Frames) {
			f := tf.Frame()
			if f.Raw() > format.FrameTarget {
				t.Errorf("frame %d holds %d bytes", i, f.Raw())
			}
			for range f.Chunks[1:] {
				if lane[n] != lane[n+1] {
					t.Errorf("frame %d has chunks of both lanes", i)
				}
				n++
			}
			n++
		}
	}
	if int(n) != len(lane) || n != 200 {
		t.Errorf("%d chunks in frames, %d in runs, want 200", n, len(lane))
	}
}

// A frame is closed before it has too many chunks, as well.
func TestFrameOfManyChunks(t *testing.T) {
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	for i := range format.MaxFrameChunks + 5 {
		mustPut(t, in, s, []byte{byte(i), byte(i >> 8), 1})
	}
	mustClose(t, in)
	frames := unpadded(r.slabRecords(t)[0].Frames)
	if len(frames) != 2 || len(frames[0].Chunks) != format.MaxFrameChunks || len(frames[1].Chunks) != 5 {
		t.Errorf("%d frames", len(frames))
	}
	if runs := runsOf(t, s); len(runs) != 1 || runs[0].Count != format.MaxFrameChunks+5 {
		t.Errorf("runs: %v", runs)
	}
}

func TestDeduplication(t *testing.T) {
	r := newRepo(t)
	chunks := noise(2, 50, 3000)
	in := r.start(t, t.Context(), known.New())
	first, again := in.Stream(Contents), in.Stream(Listing)
	mustPut(t, in, first, chunks...)
	mustPut(t, in, again, chunks...)
	if w := mustClose(t, in); w.Slabs != 1 || w.Tables != 1 {
		t.Errorf("written: %+v", w)
	}
	if first.Fresh() != 50*3000 || again.Fresh() != 0 {
		t.Errorf("fresh: %d and %d", first.Fresh(), again.Fresh())
	}
	if !reflect.DeepEqual(recipeOf(t, first), recipeOf(t, again)) {
		t.Error("the same chunks have two recipes")
	}
	before := r.listed(t, "")

	in = r.start(t, t.Context(), r.known(t))
	later := in.Stream(Contents)
	mustPut(t, in, later, chunks...)
	if w := mustClose(t, in); w != (Written{}) {
		t.Errorf("written by a session of known chunks: %+v", w)
	}
	if later.Fresh() != 0 || !reflect.DeepEqual(recipeOf(t, later), recipeOf(t, first)) {
		t.Errorf("%d bytes are fresh in a session of known chunks", later.Fresh())
	}
	if after := r.listed(t, ""); !reflect.DeepEqual(after, before) {
		t.Errorf("stored: %q, before: %q", after, before)
	}
	r.wantChunks(t, recipeOf(t, later), chunks)
}

// What was written is what was counted.
func TestWritten(t *testing.T) {
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	mustPut(t, in, in.Stream(Contents), noise(1, 30, 5000)...)
	w := mustClose(t, in)
	infos, err := r.storage.List(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	bytes := int64(0)
	for _, info := range infos {
		bytes += info.Size
	}
	if want := (Written{Slabs: 1, Tables: 1, Bytes: bytes}); w != want {
		t.Errorf("got %+v, want %+v", w, want)
	}
}

func TestRepeatedChunks(t *testing.T) {
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	a, b, c := []byte("a"), []byte("b"), []byte("c")
	tests := []struct {
		chunks [][]byte
		want   []format.Run // but for the slab
	}{
		{[][]byte{a}, []format.Run{{First: 0, Count: 1, Times: 1}}},
		{[][]byte{a, a, a}, []format.Run{{First: 0, Count: 1, Times: 3}}},
		{[][]byte{a, b, c}, []format.Run{{First: 0, Count: 3, Times: 1}}},
		{[][]byte{b, b, c, c, c}, []format.Run{{First: 1, Count: 1, Times: 2}, {First: 2, Count: 1, Times: 3}}},
		{[][]byte{a, b, b}, []format.Run{{First: 0, Count: 2, Times: 1}, {First: 1, Count: 1, Times: 1}}},
		{[][]byte{a, a, b}, []format.Run{{First: 0, Count: 1, Times: 2}, {First: 1, Count: 1, Times: 1}}},
		{[][]byte{c, b, a}, []format.Run{{First: 2, Count: 1, Times: 1}, {First: 1, Count: 1, Times: 1}, {First: 0, Count: 1, Times: 1}}},
	}
	var streams []*Stream
	for _, test := range tests {
		s := in.Stream(Contents)
		mustPut(t, in, s, test.chunks...)
		streams = append(streams, s)
	}
	zeros := in.Stream(Contents)
	for range 20000 {
		mustPut(t, in, zeros, make([]byte, 4096))
	}
	mustClose(t, in)
	for i, test := range tests {
		got := runsOf(t, streams[i])
		for j := range got {
			got[j].Slab = format.SlabID{}
		}
		if !reflect.DeepEqual(got, test.want) {
			t.Errorf("%q: got %v, want %v", test.chunks, got, test.want)
		}
		r.wantChunks(t, recipeOf(t, streams[i]), test.chunks)
	}
	if runs := runsOf(t, zeros); len(runs) != 1 || runs[0].Times != 20000 {
		t.Errorf("20,000 chunks of zeros: %v", runs)
	}
	if n := len(r.read(t, recipeOf(t, zeros))); n != 20000 {
		t.Errorf("%d chunks of zeros are read", n)
	}
}

// Chunks of one lane lie side by side though others came between them. A chunk
// that repeats is a run of its own, all the same.
func TestRepeatedBesideANeighbour(t *testing.T) {
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	s, other := in.Stream(Contents), in.Stream(Listing)
	want := [][]byte{{1}, {2}, {2}, {3}}
	for i, c := range want {
		mustPut(t, in, s, c)
		mustPut(t, in, other, []byte{byte(i), 100})
	}
	mustClose(t, in)
	runs := runsOf(t, s)
	if len(runs) != 3 || runs[1].Times != 2 || runs[2].First != runs[0].First+2 {
		t.Errorf("runs: %v", runs)
	}
	r.wantChunks(t, recipeOf(t, s), want)
	if runs := runsOf(t, other); len(runs) != 1 || runs[0].Count != 4 {
		t.Errorf("runs of the other lane: %v", runs)
	}
}

// After Settle a stream can tell its runs, and may go on.
func TestSettle(t *testing.T) {
	r := newRepo(t)
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	chunks := noise(4, 20, 1000)
	for i, c := range chunks {
		mustPut(t, in, s, c)
		for range 2 {
			if err := in.Settle(); err != nil {
				t.Fatal(err)
			}
		}
		runs := runsOf(t, s)
		if len(runs) != 1 || runs[0].Count != uint32(i+1) {
			t.Fatalf("after %d chunks: %v", i+1, runs)
		}
	}
	mustClose(t, in)
	r.wantChunks(t, recipeOf(t, s), chunks)
	if frames := unpadded(r.slabRecords(t)[0].Frames); len(frames) != len(chunks) {
		t.Errorf("%d frames, want one for each time", len(frames))
	}
}

// An adopted slab is listed beside those of the session. Many adopted ones make
// the session write a table as soon as a slab has arrived.
func TestAdopted(t *testing.T) {
	if testing.Short() {
		t.Skip("takes in two slabs")
	}
	r := newRepo(t)
	for i := range tableSlabs {
		r.adopted = append(r.adopted, &format.SlabRecord{Slab: format.SlabID{byte(i), 1}, Length: 500, Frames: []format.TableFrame{
			{Kind: format.Zstd, Sealed: 100, Chunks: []uint32{9}, IDs: make([]byte, 16)}}})
	}
	in := r.start(t, t.Context(), known.New())
	s := in.Stream(Contents)
	chunks := twoSlabs()
	mustPut(t, in, s, chunks...)
	if w := mustClose(t, in); w.Slabs != 2 || w.Tables != 2 {
		t.Errorf("written: %+v", w)
	}
	tables := r.listed(t, names.Tables)
	records := r.slabRecords(t)
	if len(tables) != 2 || len(records) != tableSlabs+2 || !reflect.DeepEqual(records[:tableSlabs], r.adopted) {
		t.Errorf("%d slabs in %q", len(records), tables)
	}
	r.wantIdentities(t, s, chunks)
	if runs := runsOf(t, s); len(runs) != 2 {
		t.Errorf("a stream over two slabs has the runs %v", runs)
	}
}

// twoSlabs gives chunks that do not compress: some more than fit into a slab.
func twoSlabs() [][]byte {
	return noise(9, format.SlabTarget/testMaxChunk+20, testMaxChunk)
}

func TestAdoptedAlone(t *testing.T) {
	r := newRepo(t)
	r.adopted = []*format.SlabRecord{{Slab: format.SlabID{5}, Length: 500}}
	in := r.start(t, t.Context(), known.New())
	if w := mustClose(t, in); w.Slabs != 0 || w.Tables != 1 {
		t.Errorf("written: %+v", w)
	}
	if records := r.slabRecords(t); len(records) != 1 || records[0].Slab != (format.SlabID{5}) {
		t.Errorf("listed: %v", records)
	}
}

// What is joined comes into the session's table, counts as nothing that it wrote, and is no reason for a table.
func TestJoined(t *testing.T) {
	frames := []format.TableFrame{{Kind: format.Zstd, Sealed: 100, Chunks: []uint32{9}, IDs: make([]byte, 16)}}
	joined := []*format.SlabRecord{
		{Slab: format.SlabID{5}, Length: 500, Frames: frames}, {Slab: format.SlabID{6}, Length: 600, Frames: frames},
	}
	wrote := make(map[bool]Written)
	for _, joins := range []bool{false, true} {
		r := newRepo(t)
		if joins {
			r.joined = joined
		}
		in := r.start(t, t.Context(), known.New())
		mustPut(t, in, in.Stream(Contents), noise(3, 2, testMaxChunk)...)
		wrote[joins] = mustClose(t, in)
		records := r.slabRecords(t)
		if len(r.listed(t, names.Tables)) != 1 || len(records) != 1+len(r.joined) || !reflect.DeepEqual(records[1:], r.joined) && joins {
			t.Errorf("listed: %+v", records)
		}
	}
	if wrote[true] != wrote[false] {
		t.Errorf("written: %+v, and without joining %+v", wrote[true], wrote[false])
	}
	r := newRepo(t)
	r.joined = joined
	if w := mustClose(t, r.start(t, t.Context(), known.New())); w != (Written{}) || len(r.listed(t, names.Tables)) != 0 {
		t.Errorf("written: %+v", w)
	}
}

// A table whose name somebody else drew, too, gets another one; whoever draws none that is free fails.
func TestTableNameTaken(t *testing.T) {
	r := newRepo(t)
	for n := range drawnNames - 1 {
		if err := r.storage.Put(t.Context(), names.Table(fmt.Sprintf("20260314t0203z-%04d", n+1)), strings.NewReader("x")); err != nil {
			t.Fatal(err)
		}
	}
	in := r.start(t, t.Context(), known.New())
	mustPut(t, in, in.Stream(Contents), noise(3, 2, 1000)...)
	if w := mustClose(t, in); w.Tables != 1 || r.tables != drawnNames {
		t.Errorf("written: %+v under name %d", w, r.tables)
	}
	r.tables = 0
	in = r.start(t, t.Context(), known.New())
	mustPut(t, in, in.Stream(Contents), noise(4, 2, 1000)...)
	if _, err := in.Close(); !errors.Is(err, storage.ErrExists) {
		t.Errorf("got %v", err)
	}
}

func BenchmarkFresh(b *testing.B) {
	chunks := noise(1, 1024, 16<<10)
	b.SetBytes(1024 * 16 << 10)
	b.ReportAllocs()
	for b.Loop() {
		takeIn(b, newRepo(b), known.New(), chunks)
	}
}

func BenchmarkKnown(b *testing.B) {
	chunks := noise(1, 1024, 16<<10)
	r, index := newRepo(b), known.New()
	takeIn(b, r, index, chunks)
	b.SetBytes(1024 * 16 << 10)
	b.ReportAllocs()
	for b.Loop() {
		takeIn(b, r, index, chunks)
	}
}

func takeIn(b *testing.B, r *repo, index *known.Index, chunks [][]byte) {
	in := r.start(b, b.Context(), index)
	mustPut(b, in, in.Stream(Contents), chunks...)
	mustClose(b, in)
}
