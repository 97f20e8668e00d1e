package known

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/format"
)

// position is where a chunk lies.
type position struct {
	slab  format.SlabID
	chunk uint32
}

// identities gives n identities of a seed, as uniform as hashes are.
func identities(seed uint64, n int) []crypt.Identity {
	r := rand.New(rand.NewPCG(seed, 1))
	ids := make([]crypt.Identity, n)
	for i := range ids {
		binary.LittleEndian.PutUint64(ids[i][:8], r.Uint64())
		binary.LittleEndian.PutUint64(ids[i][8:], r.Uint64())
	}
	return ids
}

// tableFrames gives frames of the given identities, size at a time.
func tableFrames(ids []crypt.Identity, size int) (frames []format.TableFrame) {
	for len(ids) > 0 {
		n := min(size, len(ids))
		f := format.TableFrame{Kind: format.Zstd, Sealed: 1, Chunks: make([]uint32, n)}
		for i, id := range ids[:n] {
			f.Chunks[i] = 1
			f.IDs = append(f.IDs, id[:]...)
		}
		frames = append(frames, f)
		ids = ids[n:]
	}
	return frames
}

func slabID(n int) (id format.SlabID) {
	binary.BigEndian.PutUint32(id[:], uint32(n)+1)
	return id
}

// The Index against a map that keeps the first position of each identity, with
// few identities, so that many are met again.
func TestModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pool := identities(rapid.Uint64().Draw(t, "seed"), 40)
		if rapid.Bool().Draw(t, "alike") {
			for i := range pool {
				copy(pool[i][:4], "\xff\xff\xff\xff") // all probe from the last slot on
			}
		}
		pick := rapid.SliceOfN(rapid.SampledFrom(pool), 0, 30)
		x, model := New(), map[crypt.Identity]position{}
		var all []position
		var given []crypt.Identity // in the order of all
		for s := range rapid.IntRange(0, 5).Draw(t, "slabs") {
			ids := pick.Draw(t, "slab")
			if err := x.AddSlab(slabID(s), tableFrames(ids, rapid.IntRange(1, 7).Draw(t, "size"))); err != nil {
				t.Fatal(err)
			}
			for i, id := range ids {
				all, given = append(all, position{slabID(s), uint32(i)}), append(given, id)
				if _, ok := model[id]; !ok {
					model[id] = position{slabID(s), uint32(i)}
				}
			}
		}
		check(t, x, pool, model, all)
		checkFind(t, x, given, all, len(all))
		listed := len(all)

		// A session: frames of fresh chunks, placed in any order.
		frames := rapid.IntRange(0, 6).Draw(t, "frames")
		var place []func()
		for f := range frames {
			first := rapid.Uint32Range(0, 1000).Draw(t, "first")
			slab := slabID(100 + rapid.IntRange(0, 1).Draw(t, "into"))
			for c, id := range pick.Draw(t, "frame") {
				ref, err := x.Add(id, f, c)
				if err != nil || int(ref) != len(all) {
					t.Fatalf("got ref %d, %v after %d chunks", ref, err, len(all))
				}
				p := position{slab, first + uint32(c)}
				all, given = append(all, p), append(given, id)
				if _, ok := model[id]; !ok {
					model[id] = p
				}
			}
			place = append(place, func() { x.PlaceFrame(f, slab, first) })
			if id := rapid.SampledFrom(pool).Draw(t, "elsewhere"); model[id] == (position{}) {
				p := position{slabID(200 + rapid.IntRange(0, 1).Draw(t, "other")), rapid.Uint32().Draw(t, "chunk")}
				if ref, err := x.AddElsewhere(id, p.slab, p.chunk); err != nil || int(ref) != len(all) {
					t.Fatalf("got ref %d, %v after %d chunks", ref, err, len(all))
				}
				all, given, model[id] = append(all, p), append(given, id), p
			}
		}
		for _, i := range rapid.Permutation(indices(frames)).Draw(t, "order") {
			place[i]()
		}
		check(t, x, pool, model, all)
		checkFind(t, x, given, all, listed)
	})
}

func indices(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

func check(t *rapid.T, x *Index, pool []crypt.Identity, model map[crypt.Identity]position, all []position) {
	if x.Len() != len(all) {
		t.Fatalf("%d chunks, want %d", x.Len(), len(all))
	}
	for r, want := range all {
		slab, chunk := x.Locate(Ref(r))
		if got := (position{slab, chunk}); got != want {
			t.Fatalf("chunk %d lies at %v, want %v", r, got, want)
		}
	}
	for _, id := range pool {
		r, ok := x.Lookup(id)
		want, known := model[id]
		if ok != known {
			t.Fatalf("%v: found %v, want %v", id, ok, known)
		}
		if !ok {
			continue
		}
		slab, chunk := x.Locate(r)
		if got := (position{slab, chunk}); got != want {
			t.Fatalf("%v lies at %v, want %v", id, got, want)
		}
	}
}

// checkFind looks for all chunks by their places. Those of slabs that were listed
// are found, and no others.
func checkFind(t *rapid.T, x *Index, given []crypt.Identity, all []position, listed int) {
	ends := map[format.SlabID]uint32{}
	for r, p := range all {
		if got := x.ID(Ref(r)); got != given[r] {
			t.Fatalf("chunk %d is %v, want %v", r, got, given[r])
		}
		got, ok := x.Find(p.slab, p.chunk)
		if ok != (r < listed) || ok && got != Ref(r) {
			t.Fatalf("chunk %d of %d at %v is found as %d, %v", r, listed, p, got, ok)
		}
		if r < listed {
			ends[p.slab] = max(ends[p.slab], p.chunk+1)
		}
	}
	for s := range 7 { // some are empty, some absent
		end := ends[slabID(s)]
		for _, chunk := range []uint32{end, end + 1, format.MaxSlabChunks} {
			if r, ok := x.Find(slabID(s), chunk); ok {
				t.Fatalf("chunk %d of %d in slab %d is found as %d", chunk, end, s, r)
			}
		}
	}
}

// A slab that is added after a search is found as well.
func TestFindBetweenSlabs(t *testing.T) {
	x := New()
	ids := identities(5, 4)
	for s := range 2 {
		if err := x.AddSlab(slabID(s), tableFrames(ids[2*s:2*s+2], 2)); err != nil {
			t.Fatal(err)
		}
		if r, ok := x.Find(slabID(s), 1); !ok || int(r) != 2*s+1 {
			t.Errorf("slab %d: the second chunk is found as %d, %v", s, r, ok)
		}
	}
}

// A number that no slab has finds nothing, however large it is.
func TestFindLargeNumbers(t *testing.T) {
	x := New()
	ids := identities(5, 4)
	for s := range 2 {
		if err := x.AddSlab(slabID(s), tableFrames(ids[2*s:2*s+2], 2)); err != nil {
			t.Fatal(err)
		}
	}
	for s := range 2 {
		for _, chunk := range []uint32{1<<32 - 1, 1<<32 - 2, 1 << 31} {
			if r, ok := x.Find(slabID(s), chunk); ok {
				t.Errorf("slab %d: chunk %d of 2 is found as %d", s, chunk, r)
			}
		}
	}
}

// Growth keeps everything findable, and where it is.
func TestGrowth(t *testing.T) {
	x := New()
	n := 1 << 18
	if testing.Short() {
		n = 1 << 16
	}
	ids := identities(1, n)
	for s := 0; s*1000 < len(ids); s++ {
		part := ids[s*1000 : min(len(ids), (s+1)*1000)]
		if err := x.AddSlab(slabID(s), tableFrames(part, 64)); err != nil {
			t.Fatal(err)
		}
		// The first and the last one each time, and all of them in the end.
		find(t, x, ids, 0)
		find(t, x, ids, s*1000+len(part)-1)
	}
	for i := range ids {
		find(t, x, ids, i)
	}
	for _, id := range identities(2, 1000) {
		if _, ok := x.Lookup(id); ok {
			t.Errorf("%v is found and was not added", id)
		}
	}
	if len(x.slots)-x.used < len(x.slots)/4 {
		t.Errorf("%d of %d slots are used: a search may take long", x.used, len(x.slots))
	}
}

// A chunk that is met again uses no slot of the hash table, which has room for 3
// where 2 were added.
func TestDuplicatesUseNoSlots(t *testing.T) {
	x := New()
	ids := identities(4, 700)
	for s := range 100 {
		if err := x.AddSlab(slabID(s), tableFrames(ids, 64)); err != nil {
			t.Fatal(err)
		}
	}
	for i, id := range ids {
		if r, ok := x.Lookup(id); !ok || int(r) != i {
			t.Errorf("chunk %d is found as %d, %v", i, r, ok)
		}
	}
	if x.used != len(ids) || len(x.slots) != x.Len()/2*3 {
		t.Errorf("%d of %d slots are used for %d identities", x.used, len(x.slots), len(ids))
	}
}

func find(t *testing.T, x *Index, ids []crypt.Identity, i int) {
	t.Helper()
	r, ok := x.Lookup(ids[i])
	if !ok || int(r) != i {
		t.Fatalf("chunk %d is found as %d, %v", i, r, ok)
	}
	if slab, chunk := x.Locate(r); slab != slabID(i/1000) || int(chunk) != i%1000 {
		t.Fatalf("chunk %d lies in %v, %d", i, slab, chunk)
	}
}

// memory gives the bytes that an index holds.
func memory(x *Index) int {
	n := 4*cap(x.slots) + 24*cap(x.pages) + 24*cap(x.sizes) + 20*cap(x.slabs)
	for _, p := range x.sizes {
		n += len(size{}) * cap(p)
	}
	for _, p := range x.pages {
		n += len(crypt.Identity{}) * cap(p)
	}
	return n
}

// The comment at Index promises 27 bytes a chunk. Beside them stand a page of
// identities that is not full, and the list of slabs, here of 2,000 chunks each.
func TestMemory(t *testing.T) {
	x := New()
	worst, at := 0.0, 0
	const perSlab = 2000
	for s := 0; x.Len() < 1<<21; s++ {
		if err := x.AddSlab(slabID(s), tableFrames(identities(uint64(s), perSlab), 64)); err != nil {
			t.Fatal(err)
		}
		if x.Len() < 1<<16 {
			continue
		}
		spare := (len(crypt.Identity{}) + len(size{})) << pageBits
		if a := float64(memory(x)-spare) / float64(x.Len()); a > worst {
			worst, at = a, x.Len()
		}
	}
	t.Logf("at most %.2f bytes a chunk, at %d chunks", worst, at)
	if worst > 27.1 {
		t.Errorf("%.2f bytes a chunk at %d chunks, want 27", worst, at)
	}
}

// Lengths up to the longest of a chunk are given back, on every page.
func TestLength(t *testing.T) {
	x := New()
	var want []int
	for s := range 40 {
		frames := tableFrames(identities(uint64(s), 1000), 64)
		for i := range frames {
			for c := range frames[i].Chunks {
				n := []int{1, 255, 256, 65536, 65537, format.MaxChunk}[len(want)%6]
				frames[i].Chunks[c] = uint32(n)
				want = append(want, n)
			}
		}
		if err := x.AddSlab(slabID(s), frames); err != nil {
			t.Fatal(err)
		}
	}
	for r, n := range want {
		if got := x.Length(Ref(r)); got != n {
			t.Fatalf("chunk %d has %d bytes, want %d", r, got, n)
		}
	}
}

func TestLocateBesideEmptySlabs(t *testing.T) {
	x := New()
	ids := identities(3, 4)
	for s, part := range [][]crypt.Identity{nil, ids[:1], nil, nil, ids[1:], nil} {
		if err := x.AddSlab(slabID(s), tableFrames(part, 2)); err != nil {
			t.Fatal(err)
		}
	}
	for i, want := range []position{{slabID(1), 0}, {slabID(4), 0}, {slabID(4), 1}, {slabID(4), 2}} {
		if slab, chunk := x.Locate(Ref(i)); (position{slab, chunk}) != want {
			t.Errorf("chunk %d lies at %v, %d", i, slab, chunk)
		}
	}
}

// An index that is full says so, and takes nothing.
func TestFull(t *testing.T) {
	x := New()
	x.count = MaxChunks
	if _, err := x.Add(crypt.Identity{1}, 0, 0); err != ErrFull {
		t.Errorf("Add gives %v", err)
	}
	if err := x.AddSlab(slabID(1), tableFrames(identities(1, 1), 1)); err != ErrFull {
		t.Errorf("AddSlab gives %v", err)
	}
	if len(x.places) != 0 || len(x.pages) != 0 || x.Len() != MaxChunks {
		t.Error("something was added")
	}
}

func filled(b *testing.B, n int) (*Index, []crypt.Identity) {
	x, ids := New(), identities(1, n)
	if err := x.AddSlab(slabID(0), tableFrames(ids, 64)); err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	b.ResetTimer()
	return x, ids
}

func BenchmarkLookup(b *testing.B) {
	for _, n := range []int{1 << 16, 1 << 20} {
		for _, hit := range []bool{true, false} {
			b.Run(fmt.Sprintf("chunks=%d/hit=%v", n, hit), func(b *testing.B) {
				x, ids := filled(b, n)
				if !hit {
					ids = identities(2, n)
				}
				for i := range b.N {
					if _, ok := x.Lookup(ids[i%n]); ok != hit {
						b.Fatal("wrong answer")
					}
				}
			})
		}
	}
}

func BenchmarkLocate(b *testing.B) {
	x := New()
	for s := range 1000 {
		if err := x.AddSlab(slabID(s), tableFrames(identities(uint64(s), 100), 64)); err != nil {
			b.Fatal(err)
		}
	}
	for i := 0; b.Loop(); i++ {
		x.Locate(Ref(i % x.Len()))
	}
}

func BenchmarkAddSlab(b *testing.B) {
	ids := identities(1, 1<<16)
	frames := tableFrames(ids, 64)
	b.ReportAllocs()
	for b.Loop() {
		if err := New().AddSlab(slabID(0), frames); err != nil {
			b.Fatal(err)
		}
	}
}

// What is forgotten is not found, and all else where it was.
func TestForget(t *testing.T) {
	x := New()
	slabs := []format.SlabID{{1}, {2}, {3}}
	id := func(slab, chunk int) crypt.Identity { return crypt.Identity{byte(slab), byte(chunk), 7} }
	for i, slab := range slabs {
		f := format.TableFrame{Kind: format.Zstd, Sealed: 1, Chunks: []uint32{5, 6}}
		for c := range f.Chunks {
			one := id(i, c)
			f.IDs = append(f.IDs, one[:]...)
		}
		if err := x.AddSlab(slab, []format.TableFrame{f}); err != nil {
			t.Fatal(err)
		}
	}
	x.Forget(slabs[1])
	for i, slab := range slabs {
		for c := range 2 {
			r, found := x.Lookup(id(i, c))
			_, there := x.Find(slab, uint32(c))
			if found != (i != 1) || there != found {
				t.Errorf("slab %d, chunk %d: looked up %v, found %v", i, c, found, there)
			}
			if found && int(r) != 2*i+c {
				t.Errorf("slab %d, chunk %d is %d", i, c, r)
			}
		}
	}
}

// A chunk of a slab that is not there is found where it lies once more, or not at all, and each
// slab is asked about once.
func TestAsk(t *testing.T) {
	one, two := format.SlabID{1}, format.SlabID{2}
	a, b := crypt.Identity{1}, crypt.Identity{2}
	frames := func(ids ...crypt.Identity) []format.TableFrame {
		f := format.TableFrame{}
		for _, id := range ids {
			f.IDs, f.Chunks = append(f.IDs, id[:]...), append(f.Chunks, 10)
		}
		return []format.TableFrame{f}
	}
	x := New()
	for slab, f := range map[format.SlabID][]format.TableFrame{one: frames(a, b)} {
		if err := x.AddSlab(slab, f); err != nil {
			t.Fatal(err)
		}
	}
	if err := x.AddSlab(two, frames(b)); err != nil {
		t.Fatal(err)
	}
	asked := map[format.SlabID]int{}
	x.Ask(func(id format.SlabID) bool { asked[id]++; return id == two })
	if r, ok := x.Lookup(a); ok {
		t.Errorf("a chunk of a slab that is not there: %v", r)
	}
	r, ok := x.Lookup(b)
	if slab, n := x.Locate(r); !ok || slab != two || n != 0 {
		t.Errorf("chunk b: %v, slab %v, chunk %d", ok, slab, n)
	}
	if _, ok := x.Find(one, 0); ok {
		t.Error("found by the place in a slab that is not there")
	}
	if got, ok := x.Find(two, 0); !ok || got != r {
		t.Errorf("by its place: %v, %v", got, ok)
	}
	if _, err := x.Add(a, 0, 0); err != nil {
		t.Fatal(err)
	}
	if _, ok := x.Lookup(a); !ok {
		t.Error("what was stored again is not found")
	}
	if asked[one] != 1 || asked[two] != 1 {
		t.Errorf("asked %v", asked)
	}
}
