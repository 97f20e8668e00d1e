package intake

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store/internal/delta"
	"github.com/kistarchive/kist/store/internal/format"
	"github.com/kistarchive/kist/store/internal/known"
	"github.com/kistarchive/kist/store/internal/names"
)

// TestUnreadableFrames has a frame made against each limit by which readers refuse it (store/FORMAT.md, 1 and 7): the session
// fails, also where frames are not read back, it says that kist is at fault, and no table lists anything.
func TestUnreadableFrames(t *testing.T) {
	inFrames := func(f *frame, frames int) {
		one := f.bases[0]
		f.bases = f.bases[:0]
		for i := range frames {
			one.frame, one.slab, one.of = -1, format.SlabID{1}, i
			f.bases = append(f.bases, one)
		}
	}
	for name, spoil := range map[string]func(*frame){
		"":                         nil,
		"as it may be":             func(f *frame) { inFrames(f, format.MaxBaseFrames) },
		"depth":                    func(f *frame) { f.depth = format.MaxDepth + 1 },
		"depth of a base":          func(f *frame) { f.bases[0].depth = f.depth },
		"length of a base's frame": func(f *frame) { f.bases[0].whole = format.MaxBaseRaw + 1 },
		"frames of bases":          func(f *frame) { inFrames(f, format.MaxBaseFrames+1) },
		"bases": func(f *frame) {
			for len(f.bases) <= format.MaxBases {
				f.bases = append(f.bases, f.bases[0])
			}
		},
		"length of bases":  func(f *frame) { f.base = append(f.base, make([]byte, delta.MaxBase)...) },
		"chunks of a base": func(f *frame) { f.bases[0].count = 0 },
	} {
		for _, off := range []bool{false, true} {
			t.Run(fmt.Sprintf("%s, not read back: %v", name, off), func(t *testing.T) {
				r := newRepo(t)
				r.deltas, r.maxChunk, r.noRecheck = DeltasOwn, format.MaxChunk, off
				spoilt := false
				r.spoil = func(f *frame) {
					if f.copies > 0 && spoil != nil {
						spoil(f)
						spoilt = true
					}
				}
				in := r.start(t, t.Context(), known.New())
				s := in.Stream(Contents)
				first := long(1, 10)
				mustPut(t, in, s, first...)
				mustPut(t, in, s, alikeOf(first, 1)...)
				_, err := in.Close()
				switch {
				case name == "" || name == "as it may be":
					if err != nil {
						t.Fatal(err)
					}
					return
				case !spoilt:
					t.Fatal("no frame stands on others")
				case !errors.Is(err, errFault) || errors.Is(err, format.ErrDamaged):
					t.Fatalf("Close gave %v", err)
				}
				if err := in.Abandon(context.Background()); err != nil {
					t.Fatal(err)
				}
				if infos, _ := r.storage.List(t.Context(), names.Tables); len(infos) > 0 {
					t.Errorf("tables %v", infos)
				}
			})
		}
	}
}

// TestLongChunks takes in what is alike a chunk that is longer than the frame of a base may be: it stands alone.
func TestLongChunks(t *testing.T) {
	r := newRepo(t)
	r.deltas, r.maxChunk = DeltasOwn, format.MaxChunk
	in := r.start(t, t.Context(), known.New())
	chunks := noise(1, 1, format.MaxBaseRaw+1)
	mustPut(t, in, in.Stream(Contents), append(chunks, alikeOf(chunks, 1)...)...)
	mustClose(t, in)
	if in.AnyDeltas() {
		t.Error("it is said by it")
	}
}

// TestBestOf takes chunks of no more frames than leave one for what stood in the place, and no more chunks than one is said by.
func TestBestOf(t *testing.T) {
	var votes []vote
	for i := range format.MaxBaseFrames + 1 {
		votes = append(votes, vote{spot: spot{in: &held{number: i}}})
	}
	if got := len(bestOf(votes)); got != format.MaxBaseFrames-1 {
		t.Errorf("of %d frames, a chunk may stand on %d", got, format.MaxBaseFrames)
	}
	one := &held{}
	votes = votes[:0]
	for i := range mostBases + 1 {
		votes = append(votes, vote{spot: spot{in: one, n: i}})
	}
	if got := len(bestOf(votes)); got != mostBases {
		t.Errorf("%d chunks, not %d", got, mostBases)
	}
}

// TestTakesBases fills a frame with bases up to each limit, and no further.
func TestTakesBases(t *testing.T) {
	for name, test := range map[string]struct {
		base func(i int) basis
		want int
	}{
		"frames": {func(i int) basis { return basis{frame: i, data: []byte{1}} }, format.MaxBaseFrames},
		"bases":  {func(i int) basis { return basis{n: uint32(2 * i), data: []byte{1}} }, format.MaxBases},
		"bytes":  {func(i int) basis { return basis{n: uint32(2 * i), data: make([]byte, 512<<10)} }, mostBase >> 19},
	} {
		f := new(frame)
		for i := range 2 * test.want {
			one := []basis{test.base(i)}
			if !f.takesBases(one) {
				break
			}
			f.addBases(one, func(*basis) {})
		}
		if len(f.bases) != test.want {
			t.Errorf("%s: %d bases, not %d", name, len(f.bases), test.want)
		}
	}
	two := []basis{{frame: format.MaxBaseFrames - 1}, {frame: format.MaxBaseFrames}}
	f := &frame{baseFrames: format.MaxBaseFrames - 1}
	if f.takesBases(two) || !f.takesBases(two[:1]) {
		t.Error("chunks of two frames are counted as of one")
	}
}

// TestDepthAboveAll: a frame is of more depth than each of its bases, whichever comes last.
func TestDepthAboveAll(t *testing.T) {
	for _, depths := range [][]uint32{{0}, {0, 1}, {1, 0}, {1, 0, 0}} {
		f, most := new(frame), uint32(0)
		for i, depth := range depths {
			f.addBases([]basis{{frame: i, depth: depth, data: []byte{1}}}, func(*basis) {})
			most = max(most, depth)
		}
		if f.depth != most+1 {
			t.Errorf("bases of depths %d make one of depth %d", depths, f.depth)
		}
	}
}

// TestRingDrops lets the oldest frames go: their anchors find nothing any more, and take no memory.
func TestRingDrops(t *testing.T) {
	r := newRing()
	chunks := long(1, 20)
	for i, c := range chunks {
		r.like(c)
		r.keep(i, c, crypt.Identity{byte(i)})
	}
	if found := r.like(chunks[0]); len(found) == 0 || found[0].whole != len(chunks[0]) {
		t.Fatalf("alike itself are %d, and not of a frame of its length", len(found))
	}
	last := r.frames[len(r.frames)-1]
	r.drop(cap(last.raw))
	if r.like(chunks[0]) != nil {
		t.Error("what was dropped is a base")
	}
	if len(r.frames) != 1 || r.bytes != cap(last.raw) {
		t.Errorf("%d frames of %d bytes are left", len(r.frames), r.bytes)
	}
	for a, at := range r.of {
		if at.in != last {
			t.Fatalf("anchor %x is of a frame that was dropped", a)
		}
	}
	r.drop(0)
	if len(r.of) != 0 {
		t.Errorf("%d anchors of no frame", len(r.of))
	}
}

// TestRingHolds: the memory of what is held stays within its bound, that of what is to be used again included, whatever the chunks' lengths,
// and goes down with the bound.
func TestRingHolds(t *testing.T) {
	r, random := newRing(), rand.New(rand.NewPCG(1, 2))
	var chunk [format.DeltaTarget]byte
	put := func(frames int) (most int) {
		for range frames {
			number := r.next()
			for n := 0; n < format.DeltaTarget; {
				c := chunk[:min(1+random.IntN(64<<10), format.DeltaTarget-n)]
				r.anchors = nil // as like leaves it where nothing is sampled
				r.keep(number, c, crypt.Identity{})
				n += len(c)
			}
			most = max(most, r.memory())
		}
		return most
	}
	r.hold(4 << 20)
	if most := put(40); most > 4<<20+format.DeltaTarget || most < 3<<20 {
		t.Errorf("%d bytes are held", most)
	}
	r.hold(1 << 20)
	put(1)
	if most := put(10); most > 1<<20+format.DeltaTarget {
		t.Errorf("%d bytes are held, and the bound went down", most)
	}
}

// next gives the number of a further frame.
func (r *ring) next() int {
	if len(r.frames) == 0 {
		return 1
	}
	return r.frames[len(r.frames)-1].number + 1
}

// memory is what the chunks of frames take, in bytes.
func (r *ring) memory() (n int) {
	for _, h := range slices.Concat(r.frames, r.free) {
		n += cap(h.raw)
	}
	return n
}

// TestOldBases reads what stood in the place of a chunk: a base is what has few enough below it, and lies in a frame that is
// not too long.
func TestOldBases(t *testing.T) {
	r := newRepo(t)
	content := long(1, 1)[0]
	below, above := format.SlabID{1}, format.SlabID{2}
	ids := r.keys.NewHasher().Sum(content)
	for name, test := range map[string]struct {
		upper, lower         uint32 // depths of the frames
		upperMore, lowerMore int    // lengths of further chunks in them
		want                 format.SlabID
	}{
		"alone":                       {want: above},
		"of depth 1":                  {upper: 1, want: above},
		"of depth 2":                  {upper: 2, lower: 1, want: below},
		"on one that is as deep":      {upper: 2, lower: 2},
		"in a long frame":             {upperMore: format.MaxBaseRaw},
		"as long as it may be":        {upperMore: format.MaxBaseRaw - len(content), want: above},
		"on one in a long frame":      {upper: 2, lower: 1, lowerMore: format.MaxBaseRaw},
		"on one as long as it may be": {upper: 2, lower: 1, lowerMore: format.MaxBaseRaw - len(content), want: below},
	} {
		t.Run(name, func(t *testing.T) {
			frameOf := func(depth uint32, more int, bases ...format.Base) *format.Frame {
				f := &format.Frame{Kind: format.Zstd, Sealed: 100, Chunks: []uint32{uint32(len(content))}}
				if more > 0 {
					f.Chunks = append(f.Chunks, uint32(more))
				}
				if depth > 0 {
					f.Kind, f.Standing = format.Delta, format.Standing{Depth: depth, Copies: 10, Bases: bases}
				}
				return f
			}
			frames := map[format.SlabID]*format.Frame{
				below: frameOf(test.lower, test.lowerMore, format.Base{Slab: format.SlabID{3}, Count: 1}),
				above: frameOf(test.upper, test.upperMore, format.Base{Slab: below, Count: 1}),
			}
			index := known.New()
			for _, slab := range []format.SlabID{below, above} {
				listed := frames[slab].Listed()
				listed.IDs = append(bytes.Clone(ids[:]), make([]byte, (len(listed.Chunks)-1)*len(ids))...)
				if err := index.AddSlab(slab, []format.TableFrame{listed}); err != nil {
					t.Fatal(err)
				}
			}
			in := &Intake{ctx: t.Context(), cfg: Config{Keys: r.keys, Deltas: DeltasOn, Index: index}}
			in.cfg.Old = func(_ context.Context, slab format.SlabID, _ uint32) (Old, error) {
				return Old{Data: content, Held: frames[slab]}, nil
			}
			q := new(Sequence)
			q.Add(index, format.Run{Slab: above, First: 0, Count: 1, Times: 1})
			bases := q.start(newAssembler(in)).like(content).bases
			var got format.SlabID
			if len(bases) > 0 {
				got = bases[0].slab
				if bases[0].whole != frames[got].Raw() {
					t.Errorf("the frame of the base has %d bytes, not %d", bases[0].whole, frames[got].Raw())
				}
			}
			if got != test.want {
				t.Errorf("the base is in slab %v, not %v", got, test.want)
			}
		})
	}
}
