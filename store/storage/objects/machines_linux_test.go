package objects_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/kistarchive/kist/crypt"
	"github.com/kistarchive/kist/store"
	"github.com/kistarchive/kist/store/storage/objects"
)

// Three machines capture, retire and restore at once, while a fourth reclaims, without and with a grace time, and a fifth verifies. Each has
// a cache and connections of its own. Now and then a machine rests for a reclaim, which names nothing finally while somebody writes. Nothing fails, no damage is found, and in the end what was not retired, and nothing else, is there and
// restores. With KIST_TEST_ROUNDS each machine makes so many captures, and goes on until a reclaim with a grace time, which waits
// for minutes, has removed something beside it.
func testMachines(t *testing.T, e *engine) {
	f := newFleet(t, e.options("seeds"))
	f.long = os.Getenv("KIST_TEST_ROUNDS") != ""
	r, err := store.Create(t.Context(), open(t, f.options), f.key, store.CreateOptions{})
	if err != nil {
		t.Fatal(err)
	}
	r.Close()

	var machines, beside sync.WaitGroup
	for i, name := range []string{"alder", "birch", "cedar"} {
		machines.Go(func() { f.capture(name, rand.New(rand.NewPCG(1, uint64(i))), rounds(t, 3)) })
	}
	ctx, stop := context.WithCancel(t.Context())
	beside.Go(func() { f.reclaim(ctx) })
	beside.Go(func() { f.verify(ctx) })
	machines.Wait()
	stop()
	beside.Wait()
	t.Logf("%d captures, %d of them retired; %d reclaims removed %d captures and %d slabs beside them, and moved %d; %d verifications",
		f.captures.Load(), f.retired.Load(), f.reclaims.Load(), f.gone.Load(), f.slabs.Load(), f.moved.Load(), f.verifications.Load())
	if f.long && !f.waited.Load() {
		t.Error("a reclaim with a grace time removed nothing beside captures: the test sees too little")
	}
	f.wantKept()
}

// fleet is a repository in a bucket, machines that use it, and a model of what must be there.
type fleet struct {
	t       *testing.T
	options objects.Options
	key     *crypt.KeyFile
	home    string
	long    bool

	mu      sync.Mutex
	kept    map[string][sha256.Size]byte // what was captured, by ids, and not retired
	ran     int                          // reclaims that ended
	waiting bool                         // a reclaim waits
	changed *sync.Cond                   // one of the two

	captures, retired, reclaims, gone, slabs, moved, verifications atomic.Int64
	waited                                                         atomic.Bool // a reclaim with a grace time removed slabs
}

func newFleet(t *testing.T, options objects.Options) *fleet {
	options.Late = func() { t.Error("told that the store lags") }
	f := &fleet{t: t, options: options, key: crypt.NewKeyFile(), home: t.TempDir(), kept: make(map[string][sha256.Size]byte)}
	f.changed = sync.NewCond(&f.mu)
	os.Chmod(f.home, 0o700)
	return f
}

// on has a machine do something, with a storage and a repository that are opened for it, as by a process.
func (f *fleet) on(ctx context.Context, machine string, do func(*store.Repository) error) error {
	s, err := objects.Open(ctx, f.options)
	if err != nil {
		return err
	}
	defer s.Close()
	home := filepath.Join(f.home, machine)
	if err := os.MkdirAll(home, 0o700); err != nil {
		return err
	}
	r, err := store.Open(ctx, s, f.key, store.OpenOptions{Cache: filepath.Join(home, "cache"), State: filepath.Join(home, "state")})
	if err != nil {
		return err
	}
	return errors.Join(do(r), r.Close())
}

// rest waits until a reclaim that begins now has ended, or waits for others.
func (f *fleet) rest() {
	f.mu.Lock()
	defer f.mu.Unlock()
	for until := f.ran + 2; f.ran < until && !f.waiting && !f.t.Failed(); {
		f.changed.Wait()
	}
}

// note says that a reclaim ended, or waits.
func (f *fleet) note(waits bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.waiting = waits; !waits {
		f.ran++
	}
	f.changed.Broadcast()
}

// capture makes n captures, retires all but the latest one, or two in a long run, and restores one each time. Now and then it rests before.
func (f *fleet) capture(machine string, dice *rand.Rand, n int) {
	var own []string
	keep := 1
	if f.long {
		keep = 2
	}
	began := time.Now()
	for i := 0; !f.t.Failed() && (i < n || f.long && !f.waited.Load() && time.Since(began) < 15*time.Minute); i++ {
		if i == keep+1 || i > keep+1 && dice.IntN(3) == 0 { // once something was retired, all of them
			f.rest()
		}
		err := f.on(f.t.Context(), machine, func(r *store.Repository) error {
			content := contentOf(dice)
			c, err := r.Capture(f.t.Context(), store.CaptureOptions{Name: "seedbank", Host: machine, Volumes: []store.VolumeInput{streamOf(content)}})
			if err != nil {
				return fmt.Errorf("capture: %w", err)
			}
			f.captures.Add(1)
			f.keep(c.ID, sha256.Sum256(content))
			if own = append(own, c.ID); len(own) > keep {
				f.forget(own[0])
				if err := r.Retire(f.t.Context(), own[:1], store.MarkOptions{Host: machine}); err != nil {
					return fmt.Errorf("retire: %w", err)
				}
				f.retired.Add(1)
				own = own[1:]
			}
			return f.wantRestored(r, own[dice.IntN(len(own))])
		})
		if err != nil {
			f.t.Errorf("%s, round %d: %v", machine, i, err)
		}
	}
}

// contentOf draws some of few blocks, which so are needed by nobody and again by somebody all the time, and adds what nobody had.
func contentOf(dice *rand.Rand) []byte {
	var content bytes.Buffer
	for block := range 16 {
		if dice.IntN(3) == 0 {
			content.Write(block128(2, uint64(block)))
		}
	}
	content.Write(block128(dice.Uint64(), dice.Uint64()))
	return content.Bytes()
}

// block128 gives 128 KiB that can't be compressed.
func block128(a, b uint64) []byte {
	p, dice := make([]byte, 0, 128<<10), rand.NewPCG(a, b)
	for len(p) < cap(p) {
		v := dice.Uint64()
		p = append(p, byte(v), byte(v>>8), byte(v>>16), byte(v>>24), byte(v>>32), byte(v>>40), byte(v>>48), byte(v>>56))
	}
	return p
}

func (f *fleet) keep(id string, sum [sha256.Size]byte) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.kept[id] = sum
}

func (f *fleet) forget(id string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	delete(f.kept, id)
}

// wantRestored restores a capture. What is moved while it is read is looked for again.
func (f *fleet) wantRestored(r *store.Repository, id string) error {
	for {
		c, err := r.Find(f.t.Context(), id)
		if err != nil {
			return fmt.Errorf("find %s: %w", id, err)
		}
		sum := sha256.New()
		err = r.Restore(f.t.Context(), &c.Volumes[0], sum, store.RestoreOptions{})
		if errors.Is(err, store.ErrMoved) {
			continue
		}
		if err != nil {
			return fmt.Errorf("restore %s: %w", id, err)
		}
		f.mu.Lock()
		want := f.kept[id]
		f.mu.Unlock()
		if !bytes.Equal(sum.Sum(nil), want[:]) {
			return fmt.Errorf("capture %s is restored to another SHA-256", id)
		}
		return nil
	}
}

// reclaim reclaims until the context ends, without a grace time and with one by turns, in a long run two of each, and again as before where somebody was
// at work. With a grace time it waits for two minutes and one more once it named finally what goes; but for a long run it is stopped then,
// and the next one goes on with that.
func (f *fleet) reclaim(ctx context.Context) {
	turn := 1
	if f.long {
		turn = 2
	}
	for i := 0; ctx.Err() == nil && !f.t.Failed(); i++ {
		one, stop := context.WithCancel(ctx)
		stopped := false
		o := store.ReclaimOptions{Grace: store.NoGrace, MinDead: 0.1, Host: "hazel"}
		if i/turn%2 == 1 {
			o.Grace = time.Second
			o.Waiting = func(time.Duration) {
				if !f.long || f.waited.Load() {
					stopped = true
					stop()
				}
				f.note(true)
			}
		}
		err := f.on(ctx, "hazel", func(r *store.Repository) error {
			got, err := r.Reclaim(one, o)
			if got != nil {
				f.gone.Add(int64(len(got.Captures)))
				f.slabs.Add(int64(got.Slabs))
				f.moved.Add(int64(got.Moved))
				if o.Grace == time.Second && got.Slabs > 0 {
					f.waited.Store(true)
				}
				if f.long && len(got.Waiting) > 0 {
					i--
				}
			}
			return err
		})
		f.reclaims.Add(1)
		// In so small a repository most of what is there may be of captures under way: then it refuses, and removes nothing.
		if err != nil && ctx.Err() == nil && !(stopped && errors.Is(err, context.Canceled)) && !errors.Is(err, store.ErrUnexplained) {
			f.t.Errorf("reclaim %d: %v", i, err)
		}
		stop()
		f.note(false)
	}
}

// verify verifies until the context ends, in full every other time.
func (f *fleet) verify(ctx context.Context) {
	for i := 0; ctx.Err() == nil && !f.t.Failed(); i++ {
		err := f.on(ctx, "holly", func(r *store.Repository) error {
			report, err := r.Verify(ctx, store.VerifyOptions{Full: i%2 == 0})
			if err == nil && !report.OK {
				err = fmt.Errorf("damage: %+v", report.Damage)
			}
			return err
		})
		f.verifications.Add(1)
		if err != nil && ctx.Err() == nil {
			f.t.Errorf("verification %d: %v", i, err)
		}
	}
}

// wantKept makes sure, once all is reclaimed, that what the model keeps is there and restores, and nothing else is there.
func (f *fleet) wantKept() {
	f.t.Helper()
	err := f.on(f.t.Context(), "rowan", func(r *store.Repository) error {
		got, err := r.Reclaim(f.t.Context(), store.ReclaimOptions{Grace: store.NoGrace, Host: "rowan"})
		if err != nil {
			return err
		}
		if all := f.gone.Load() + int64(len(got.Captures)); all > f.retired.Load() || len(got.Waiting) > 0 {
			f.t.Errorf("%d captures were removed of %d retired ones, waiting for %v", all, f.retired.Load(), got.Waiting)
		}
		listing, err := r.List(f.t.Context())
		if err != nil {
			return err
		}
		if listing.Damage != nil {
			return listing.Damage
		}
		var ids []string
		for _, c := range listing.Captures {
			ids = append(ids, c.ID)
		}
		if want := slices.Sorted(maps.Keys(f.kept)); !slices.Equal(slices.Sorted(slices.Values(ids)), want) {
			f.t.Errorf("there is %v, want %v", ids, want)
		}
		for id := range f.kept {
			if err := f.wantRestored(r, id); err != nil {
				f.t.Error(err)
			}
		}
		report, err := r.Verify(f.t.Context(), store.VerifyOptions{Full: true})
		if err == nil && !report.OK {
			err = fmt.Errorf("damage: %+v", report.Damage)
		}
		return err
	})
	if err != nil {
		f.t.Error(err)
	}
}
