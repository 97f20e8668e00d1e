package known

import (
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"runtime"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// tables are what slabs are read again from: so many slabs to a table, each by the seed of its identities.
type tables struct {
	ids     [][]crypt.Identity // by slab
	each    int                // slabs that a table lists
	lengths uint32             // of chunks; 0: 1
	fails   map[int]bool       // slabs that can't be read again
	reads   int
}

func (t *tables) frames(number int) []format.TableFrame {
	frames := tableFrames(t.ids[number], 64)
	for i := range frames {
		for c := range frames[i].Chunks {
			frames[i].Chunks[c] = max(1, t.lengths)
		}
	}
	return frames
}

var errFails = errors.New("it can't be read")

func (t *tables) reload(number int, slab format.SlabID) (records []*format.SlabRecord, err error) {
	t.reads++
	if t.fails[number] || slab != slabID(number) {
		return nil, errFails
	}
	first := number / t.each * t.each
	for n := first; n < min(first+t.each, len(t.ids)); n++ {
		records = append(records, &format.SlabRecord{Slab: slabID(n), Frames: t.frames(n)})
	}
	return records, nil
}

// index gives an index of all slabs.
func (t *tables) index(tb interface{ Fatal(...any) }, memory int64) *Index {
	x := New()
	x.Bound(memory, t.reload)
	for n := range t.ids {
		if err := x.AddSlab(slabID(n), t.frames(n)); err != nil {
			tb.Fatal(err)
		}
	}
	return x
}

// An Index that keeps samples, of few identities that are met again, with slabs that can't be read again and slabs of which a
// chunk is not to be found, against what was added: whatever it finds is that, what lies in a slab is told as it was, and
// where all is sampled nothing is missed that can be read.
func TestSampledModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pool := identities(rapid.Uint64().Draw(t, "seed"), 60)
		told := &tables{each: rapid.IntRange(1, 3).Draw(t, "each"), lengths: rapid.Uint32Range(1, 1<<20).Draw(t, "length"), fails: map[int]bool{}}
		blank := map[int]bool{}
		for n := range rapid.IntRange(1, 8).Draw(t, "slabs") {
			ids := rapid.SliceOfN(rapid.SampledFrom(pool), 1, 30).Draw(t, "slab")
			if rapid.IntRange(0, 5).Draw(t, "blank") == 0 {
				ids[0], blank[n] = crypt.Identity{}, true
			}
			told.ids = append(told.ids, ids)
			told.fails[n] = rapid.IntRange(0, 9).Draw(t, "fails") == 0
		}
		memory := rapid.Int64Range(1, 4000).Draw(t, "memory")
		x := told.index(t, memory)
		if !x.Sampled() {
			return
		}
		if rapid.Bool().Draw(t, "load") {
			x.Load(map[format.SlabID]bool{slabID(0): true, slabID(2): true, slabID(5): true})
		}
		whole := x.far.few >= 30 // all of each slab is sampled
		for _, id := range pool {
			r, ok := x.Lookup(id)
			want := false
			for n, ids := range told.ids {
				for c := range ids {
					want = want || ids[c] == id && !blank[n] && !told.fails[n]
				}
			}
			if ok && !want || want && whole && !ok {
				t.Fatalf("%v: found %v, want %v", id, ok, want)
			}
			if slab, chunk := x.Locate(r); ok && told.ids[int(binary.BigEndian.Uint32(slab[:]))-1][chunk] != id {
				t.Fatalf("%v is found in slab %v, chunk %d, which is another", id, slab, chunk)
			}
		}
		r := Ref(0)
		for n, ids := range told.ids {
			for c, id := range ids {
				got, found := x.Find(slabID(n), uint32(c))
				if found && got != r || found && blank[n] || !found && !blank[n] && !told.fails[n] {
					t.Fatalf("chunk %d of slab %d is found as %d, %v", c, n, got, found)
				}
				told1, err := x.Identity(r)
				if told.fails[n] && len(told.ids) == 1 && err == nil || err == nil && (told1 != id || x.Length(r) != int(told.lengths)) ||
					err != nil && (!told.fails[n] || x.ID(r) != crypt.Identity{} || x.Length(r) != 0) {
					t.Fatalf("chunk %d of slab %d is %v, %v", c, n, told1, err)
				}
				r++
			}
		}
		if x.far.chunks > max(30, x.far.mostIn) {
			t.Fatalf("%d chunks are loaded, where %d may be", x.far.chunks, x.far.mostIn)
		}
		// What is added is found, and beside it what was there.
		for i, id := range identities(7, 20) {
			added, err := x.Add(id, 0, i)
			if got, ok := x.Lookup(id); err != nil || !ok || got != added || x.ID(added) != id {
				t.Fatalf("what was added as %d, %v, is found as %d, %v", added, err, got, ok)
			}
		}
	})
}

// slabsOf gives slabs of n chunks each, all different.
func slabsOf(slabs, n int) [][]crypt.Identity {
	all := make([][]crypt.Identity, slabs)
	for i := range all {
		all[i] = identities(uint64(i), n)
	}
	return all
}

// lookAll looks all chunks of some slabs up, in order, and gives how many were missed.
func lookAll(x *Index, slabs [][]crypt.Identity) (missed int) {
	for _, ids := range slabs {
		for _, id := range ids {
			if _, ok := x.Lookup(id); !ok {
				missed++
			}
		}
	}
	return missed
}

// Of what comes again in order nothing is missed from the first sample on: one in 64 is sampled here, a table lists 32
// slabs. What was loaded before is found from its first chunk on.
func TestSampledRuns(t *testing.T) {
	told := &tables{ids: slabsOf(128, 1000), each: 32}
	x := told.index(t, 26_000) // 2,600 samples
	if x.far.rate != 6 {
		t.Fatalf("one in %d is sampled, want 64", 1<<x.far.rate)
	}
	x.far.mostIn = 40_000 // what a larger bound has for so much
	told.reads = 0
	missed := lookAll(x, told.ids)
	t.Logf("missed %d of 128,000, with %d tables read", missed, told.reads)
	if missed == 0 || missed > 8*64 || told.reads > 128 { // by chance 8 times as many with a probability of e^-8
		t.Errorf("missed %d, with %d tables read", missed, told.reads)
	}
	x = told.index(t, 26_000)
	x.far.mostIn = 40_000
	before := map[format.SlabID]bool{}
	for n := 64; n < 100; n++ {
		before[slabID(n)] = true
	}
	told.reads = 0
	x.Load(before)
	if missed := lookAll(x, told.ids[64:100]); missed != 0 || told.reads > 3 {
		t.Errorf("missed %d of what was loaded, with %d tables read", missed, told.reads)
	}
}

// The samples and what is loaded keep to the bound, whatever is added: also where somebody chose identities that are all
// samples, and one slab that has more than may be loaded.
func TestSampledMemory(t *testing.T) {
	chosen := slabsOf(40, 1000)
	for _, ids := range chosen {
		for i := range ids {
			copy(ids[i][6:9], []byte{0, 0, 0})
		}
	}
	small := slabsOf(4000, 10)
	for name, test := range map[string]struct {
		ids    [][]crypt.Identity
		memory int64
	}{"usual": {slabsOf(40, 1000), 100_000}, "chosen": {chosen, 100_000}, "small slabs": {small, 100_000}, "one large slab": {slabsOf(1, 20_000), 40_000}} {
		told := &tables{ids: test.ids, each: 8}
		x := told.index(t, test.memory)
		if !x.Sampled() {
			t.Fatalf("%s: not sampled", name)
		}
		kept, bytes := 0, 0
		for _, b := range x.far.buckets {
			kept += len(b)
			bytes += 6 * cap(b)
		}
		if kept != x.far.count || int64(kept) > test.memory/sampleMemory+int64(len(test.ids[0])) {
			t.Errorf("%s: %d samples, counted %d", name, kept, x.far.count)
		}
		lookAll(x, test.ids[:min(len(test.ids), 20)])
		loaded := 0
		for e := x.far.used.Front(); e != nil; e = e.Next() {
			loaded += len(e.Value.(*loadedSlab).sizes)
		}
		if most := max(int(test.memory/loadedMemory), len(test.ids[0])); loaded != x.far.chunks || loaded > most || len(x.far.places) > loaded {
			t.Errorf("%s: %d chunks are loaded, counted %d, %d places, at most %d", name, loaded, x.far.chunks, len(x.far.places), most)
		}
	}
}

// Above the bound, too, a chunk of a slab that is not there is found where it lies once more, or not at all, and of one
// that was forgotten nothing is found.
func TestSampledAsk(t *testing.T) {
	ids := identities(1, 3)
	told := &tables{ids: [][]crypt.Identity{{ids[0], ids[1]}, {ids[1]}, {ids[2]}}, each: 1}
	x := told.index(t, 1)
	x.far.few, x.far.most, x.far.mostIn = fewChunks, 100, 100
	for n := range told.ids {
		for _, id := range told.ids[n] {
			x.far.add(id, n, 1)
		}
	}
	x.Forget(slabID(2))
	asked := map[format.SlabID]int{}
	x.Ask(func(id format.SlabID) bool { asked[id]++; return id != slabID(0) })
	if _, ok := x.Lookup(ids[0]); ok {
		t.Error("a chunk of a slab that is not there")
	}
	r, ok := x.Lookup(ids[1])
	if slab, _ := x.Locate(r); !ok || slab != slabID(1) {
		t.Errorf("what lies once more is found in %v, %v", slab, ok)
	}
	if _, ok := x.Lookup(ids[2]); ok {
		t.Error("what was forgotten is found")
	}
	for n, want := range []bool{false, true, false} {
		if _, ok := x.Find(slabID(n), 0); ok != want {
			t.Errorf("slab %d: found %v", n, ok)
		}
	}
	if asked[slabID(0)] != 1 || asked[slabID(1)] != 1 {
		t.Errorf("asked %v", asked)
	}
}

// A slab of which tables say something else by now is not taken for what it was.
func TestSampledOther(t *testing.T) {
	told := &tables{ids: slabsOf(2, 40), each: 2}
	x := told.index(t, 30)
	told.ids[0] = told.ids[0][:39]
	if _, err := x.Identity(3); !errors.Is(err, errOther) {
		t.Errorf("it is shorter now: %v", err)
	}
	if id, err := x.Identity(43); id != told.ids[1][3] || err != nil {
		t.Errorf("the other one: %v, %v", id, err)
	}
	told.ids[0] = slabsOf(1, 41)[0] // whose last chunk would be the first of the other slab
	x.far.unload(0)
	if _, err := x.Identity(3); !errors.Is(err, errOther) {
		t.Errorf("it is longer now: %v", err)
	}
	if r, ok := x.Lookup(told.ids[0][40]); ok {
		t.Errorf("a chunk that it had not is found as %d", r)
	}
}

// What of a slab is not to be found is not found either where it is read again with the slab before it.
func TestSampledHiddenBehind(t *testing.T) {
	told := &tables{ids: slabsOf(3, 40), each: 3}
	x := told.index(t, 100)
	x.far.mostIn = 1000
	x.Forget(slabID(1))
	if _, err := x.Identity(0); err != nil { // reads all of the table
		t.Fatal(err)
	}
	if len(x.far.loaded) != 2 {
		t.Errorf("%d slabs are loaded", len(x.far.loaded))
	}
	if missed := lookAll(x, told.ids[1:2]); missed != 40 {
		t.Errorf("%d of 40 chunks that were forgotten are found", 40-missed)
	}
}

// A slab that is loaded is not loaded once more with the one before it, and counts once.
func TestSampledLoadedOnce(t *testing.T) {
	told := &tables{ids: slabsOf(3, 40), each: 3}
	x := told.index(t, 100)
	x.far.mostIn = 1000
	for _, r := range []Ref{40, 0} { // the first of slab 1, with slab 2, and then the first of slab 0
		if _, err := x.Identity(r); err != nil {
			t.Fatal(err)
		}
	}
	if f := x.far; f.chunks != 120 || f.used.Len() != 3 || len(f.loaded) != 3 {
		t.Errorf("of 3 slabs with 40 chunks each %d chunks in %d are loaded, %d by number", f.chunks, f.used.Len(), len(f.loaded))
	}
}

// An identity of which only half is that of a chunk is another one, be the slab loaded or not.
func TestSampledHalves(t *testing.T) {
	for half := range 2 {
		told := &tables{ids: slabsOf(1, 2), each: 1}
		id := told.ids[0][0]
		other := told.ids[0][1]
		copy(other[4:9], id[4:9]) // by which it is sampled
		copy(other[half*8:half*8+8], id[half*8:])
		x := told.index(t, 1)
		x.far.few, x.far.most = fewChunks, 100
		x.far.add(id, 0, 1)
		for _, when := range []string{"before it is loaded", "loaded"} {
			if r, ok := x.Lookup(other); ok {
				t.Errorf("half %d, %s: found as %d", half, when, r)
			}
			if _, ok := x.Lookup(id); !ok {
				t.Errorf("half %d, %s: the chunk itself is not found", half, when)
			}
		}
	}
}

// BenchmarkTenTiB adds the chunks of 10 TiB at 16 KiB, by the model of bench: 330,000 slabs of some 2,050 chunks, of which
// 64 are listed by a table. It measures the memory that lives then, and at its most while 100,000 of them come again. The
// identities are made up as they are added.
func BenchmarkTenTiB(b *testing.B) {
	if testing.Short() {
		b.Skip("it takes some minutes")
	}
	const slabs, chunks, each = 330_000, 2050, 64
	slab := func(n int) []format.TableFrame {
		random := rand.NewChaCha8([32]byte{byte(n), byte(n >> 8), byte(n >> 16)})
		frames := make([]format.TableFrame, 0, 32)
		for left := chunks; left > 0; left -= 64 {
			f := format.TableFrame{Chunks: make([]uint32, min(64, left)), IDs: make([]byte, 16*min(64, left))}
			random.Read(f.IDs)
			for i := range f.Chunks {
				f.Chunks[i] = 16 << 10
			}
			frames = append(frames, f)
		}
		return frames
	}
	heap := func() float64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc)
	}
	for range b.N {
		reads, before := 0, heap()
		x := New()
		x.Bound(DefaultMemory, func(n int, _ format.SlabID) (records []*format.SlabRecord, _ error) {
			reads++
			for i := n / each * each; i < n/each*each+each; i++ {
				records = append(records, &format.SlabRecord{Slab: slabID(i), Frames: slab(i)})
			}
			return records, nil
		})
		for n := range slabs {
			if err := x.AddSlab(slabID(n), slab(n)); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(heap()-before, "B-added")
		missed, looked := 0, 0
		for n := 1000; n < 330_000; n += 6600 {
			for i := n; i < n+40; i++ { // of other tables each time
				for _, f := range slab(i) {
					for c := range f.Chunks {
						looked++
						if _, ok := x.Lookup(f.ID(c)); !ok {
							missed++
						}
					}
				}
			}
		}
		b.ReportMetric(heap()-before, "B-looked-up")
		b.ReportMetric(float64(x.Len()), "chunks")
		b.ReportMetric(100*float64(missed)/float64(looked), "%-missed")
		b.ReportMetric(float64(reads), "tables-read")
		runtime.KeepAlive(x)
	}
}
