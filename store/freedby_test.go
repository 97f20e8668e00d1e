package store_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage"
)

// renewal is a corpus whose sharing is known: captures of blocks, of which the same number
// is replaced by new ones each time, round about. Each block is a file, shorter than a chunk can be,
// of random bytes: so it is one chunk, and no two share anything.
//
// By construction exactly `replaced` versions of blocks end with each capture but the last,
// where the next has others in their place, and as many begin with each but the first. So:
//
//   - The oldest m of n captures alone keep what ends with the first, … the m-th of them:
//     m * replaced blocks, for m < n; so do the newest m, by what begins with them.
//   - All together keep everything: blocks + (n-1) * replaced.
//   - A version lasts blocks / replaced captures, but for the first and the last ones, which
//     are cut off. So a single capture in the middle keeps nothing alone where
//     replaced < blocks, and of a row of w in the middle each version that begins and ends
//     within it counts: (w - blocks/replaced + 1) * replaced, if that is above 0.
type renewal struct {
	captures, blocks, replaced int
	apart                      time.Duration // between captures; 0: a minute
}

const renewalBlock = 1500 // bytes of a block; chunks of 16 KiB on average have 4 KiB at least

// freed gives the number of blocks that captures from, … to-1 keep alone.
func (r renewal) freed(from, to int) int {
	w := to - from
	switch {
	case w == r.captures:
		return r.blocks + (r.captures-1)*r.replaced
	case from == 0 || to == r.captures:
		return w * r.replaced
	}
	return max(0, w-r.blocks/r.replaced+1) * r.replaced
}

func (r renewal) capture(f *fixture) (all []*store.Capture) {
	bytes := rand.NewChaCha8([32]byte{byte(r.replaced)})
	blocks := make([]file, r.blocks)
	renew := func(i int) {
		content := make([]byte, renewalBlock)
		bytes.Read(content)
		blocks[i] = file{name: fmt.Sprintf("block-%03d", i), content: content}
	}
	for i := range blocks {
		renew(i)
	}
	for n := range r.captures {
		all = append(all, f.capture(tarOf(f.t, blocks...)))
		time.Sleep(max(r.apart, time.Minute)) // so that they are listed in this order
		for i := range r.replaced {
			renew((n*r.replaced + i) % r.blocks)
		}
	}
	return all
}

func (f *fixture) freedBy(c ...*store.Capture) int64 {
	f.t.Helper()
	n, err := f.FreedBy(f.t.Context(), idsOf(c))
	if err != nil {
		f.t.Fatal(err)
	}
	return n.Bytes
}

// renewalRest bounds what a capture alone keeps beside blocks, in bytes: its index file, its
// member list with the lengths of the blocks, which is one chunk, the list of captures seen, and
// what sealing adds to frames, a block's part of which counts with it.
const renewalRest = 3000

// TestFreedBy: 5, 10 and 50 percent of 100 blocks are replaced each time.
func TestFreedBy(t *testing.T) {
	oneByOne(t)
	for _, r := range []renewal{{8, 100, 5, 0}, {24, 100, 10, 0}, {7, 100, 50, 0}} {
		t.Run(fmt.Sprint(r.replaced), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) { testFreedBy(t, r) })
		})
	}
}

func testFreedBy(t *testing.T, r renewal) {
	f := newFixture(t)
	defer f.Close()
	all := r.capture(f)
	for from := range all {
		for to := from + 1; to <= len(all); to++ {
			want := int64(r.freed(from, to) * renewalBlock)
			if got := f.freedBy(all[from:to]...); got < want || got > want+int64(to-from)*renewalRest {
				t.Errorf("captures %d to %d of %d keep %d bytes alone, want %d and a little", from, to-1, r.captures, got, want)
			}
		}
	}
	sum := int64(0)
	for i, c := range f.usage().Captures {
		if got := f.freedBy(all[i]); c.ID != all[i].ID || got != c.Alone {
			t.Errorf("capture %d: %d bytes come free, and it keeps %d alone", i, got, c.Alone)
		}
		if i < len(all)-1 {
			sum += c.Alone
		}
	}
	oldest := all[:len(all)-1]
	said := f.freedBy(oldest...)
	if shared := int64((len(oldest) - 1) * r.replaced * renewalBlock); r.replaced < r.blocks/2 && sum > said-shared+int64(len(oldest))*renewalRest {
		t.Errorf("one by one they keep %d, together %d", sum, said)
	}
	if again := f.freedBy(append(oldest, slices.Clone(oldest)...)...); again != said {
		t.Errorf("named twice they free %d, once %d", again, said)
	}
	before := f.stored()
	f.retire(oldest...)
	if u := f.usage(); u.Reclaimable != said {
		t.Errorf("%d bytes are nobody's once they are retired, and %d were said to come free", u.Reclaimable, said)
	}
	if n := f.freedBy(oldest...); n != said {
		t.Errorf("once they are retired %d come free, before %d", n, said)
	}
	if n := f.freedBy(all[len(all)-1]); n < int64(r.blocks*renewalBlock) {
		t.Errorf("the only one that is not retired keeps %d bytes", n)
	}
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.0001})
	// Tables and padding go with the chunks, and the rest of slabs gets a slab, a table and
	// padding anew. Padding is at most 12 % of a length (PADMÉ, see FORMAT.md), and so is
	// all of that together here.
	if freed := before - f.stored(); freed < said-said/20 || freed > said+said*12/100 {
		t.Errorf("reclaiming freed %d bytes, %d were said", freed, said)
	} else {
		t.Logf("reclaiming freed %d bytes, %d were said, %d one by one", freed, said, sum)
	}
}

func TestFreedByNothing(t *testing.T) {
	f := newFixture(t)
	c := f.capture(random(1, 10_000))
	if n, err := f.FreedBy(t.Context(), nil); err != nil || n.Bytes != 0 {
		t.Errorf("no captures free %+v, %v", n, err)
	}
	for _, id := range []string{"", c.ID[:8], "20260314t0203z-k7f3"} {
		if _, err := f.FreedBy(t.Context(), []string{c.ID, id}); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%q: %v", id, err)
		}
	}
}

// TestFreedByMayStay: reclaiming leaves what is said to stay, and index files alone go; with what is dead already it is too much.
func TestFreedByMayStay(t *testing.T) {
	f := newFixture(t)
	stays := file{name: "a", content: random(1, 1_000_000)}
	some := f.capture(tarOf(t, stays, file{name: "b", content: random(2, 10_000)}))
	more := f.capture(tarOf(t, stays, file{name: "c", content: random(3, 300_000)}))
	f.capture(tarOf(t, stays))
	f.reclaim(store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.0001})
	for _, test := range []struct {
		going []*store.Capture
		want  bool
	}{{nil, false}, {[]*store.Capture{some}, true}, {[]*store.Capture{more}, false}, {[]*store.Capture{some, more}, false}} {
		if freed, err := f.FreedBy(t.Context(), idsOf(test.going)); err != nil || freed.MayStay != test.want {
			t.Errorf("%d captures: %+v, %v; want %v", len(test.going), freed, err, test.want)
		}
	}
	f.retire(some)
	if out := f.reclaim(store.ReclaimOptions{Grace: store.NoGrace}); out.Slabs > 0 || out.Moved > 0 || len(out.Captures) != 1 {
		t.Errorf("%+v", out)
	}
}

// TestFreedByDamaged: what an index file needs that can't be read counts as nobody's, and nothing is told of that capture itself.
func TestFreedByDamaged(t *testing.T) {
	f := newFixture(t)
	f.harmed = true
	c := f.capture(random(1, 10_000))
	other := f.capture(random(2, 10_000))
	name := "captures/" + other.ID
	f.exchange(name, objects(t, f.mem)[name], 200)
	freed, err := f.FreedBy(t.Context(), []string{c.ID})
	if damaged, ok := errors.AsType[*store.DamagedError](err); !ok || !slices.Equal(damaged.Captures, []string{other.ID}) {
		t.Errorf("beside a damaged index file: %v", err)
	}
	if freed == nil || freed.Bytes < 10_000 || !slices.Equal(freed.Unread, []string{other.ID}) || len(freed.InPart) > 0 {
		t.Errorf("beside a damaged index file: %+v", freed)
	}
	freed, err = f.FreedBy(t.Context(), []string{c.ID, other.ID})
	if _, ok := errors.AsType[*store.DamagedError](err); !ok || freed != nil {
		t.Errorf("of a damaged index file: %+v, %v", freed, err)
	}
}

// A tool asks what comes free before it retires. Two captures of the same share everything:
// neither frees much alone, both together do.
func ExampleRepository_FreedBy() {
	ctx := context.Background()
	r, err := store.Create(ctx, storage.NewMemory(), crypt.NewKeyFile(), store.CreateOptions{})
	if err != nil {
		log.Fatal(err)
	}
	defer r.Close()
	photos := make([]byte, 1<<20)
	rand.NewChaCha8([32]byte{}).Read(photos)
	open := func(context.Context) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(photos)), nil }
	var ids []string
	for range 2 {
		c, err := r.Capture(ctx, store.CaptureOptions{Name: "seedbank", Volumes: []store.VolumeInput{{Name: "photos", Open: open}}})
		if err != nil {
			log.Fatal(err)
		}
		ids = append(ids, c.ID)
	}
	one, err := r.FreedBy(ctx, ids[:1])
	if err != nil {
		log.Fatal(err)
	}
	both, err := r.FreedBy(ctx, ids)
	if err != nil {
		log.Fatal(err)
	}
	fmt.Println(one.Bytes < 4<<10, both.Bytes > 1<<20)
	// Output: true true
}
