package store_test

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/kistarchive/kist/store"
)

// sourceTree gives states of a tree of texts, as releases of a program are: of each state most files are as in the one before, some
// have lines changed, a few come and go. Words repeat as they do in a language.
func sourceTree(states, files int) (streams func(t *testing.T, n int) []byte) {
	r := rand.New(rand.NewPCG(16, 1))
	words := make([]string, 800)
	for i := range words {
		words[i] = fmt.Sprintf("%c%x", 'a'+rune(i%26), r.Uint32()>>(8*(i%3)))
	}
	line := func() string {
		var b strings.Builder
		for range 3 + r.IntN(9) {
			// The square makes some words frequent.
			b.WriteString(words[int(float64(len(words))*r.Float64()*r.Float64())])
			b.WriteByte(' ')
		}
		return b.String()
	}
	type text []string
	tree := make([]text, files)
	for i := range tree {
		for range 40 + r.IntN(500) {
			tree[i] = append(tree[i], line())
		}
	}
	all := make([][]file, states)
	for n := range all {
		for i := range tree {
			if n > 0 && r.IntN(4) == 0 {
				edited := append(text(nil), tree[i]...)
				for range 1 + len(edited)/60 {
					edited[r.IntN(len(edited))] = line()
				}
				tree[i] = edited
			}
			all[n] = append(all[n], file{name: fmt.Sprintf("src/%02d/f%03d", i%7, i), content: []byte(strings.Join(tree[i], "\n"))})
		}
	}
	return func(t *testing.T, n int) []byte { return tarOf(t, all[n]...) }
}

// aged gives a fixture with captures that were made without deltas, and their streams.
func aged(t *testing.T, states, files int) (f *fixture, captures []*store.Capture, streams [][]byte) {
	f = newFixtureOf(t, withDeltas(store.DeltasOff))
	stream := sourceTree(states, files)
	for n := range states {
		streams = append(streams, stream(t, n))
		captures = append(captures, f.capture(streams[n]))
	}
	return f, captures, streams
}

func (f *fixture) setDeltas(d store.Deltas) {
	f.t.Helper()
	if err := f.SetDeltas(f.t.Context(), d, store.MarkOptions{}); err != nil {
		f.t.Fatal(err)
	}
}

// wantAll wants captures to be what they were: by their streams, by hash, and in full.
func (f *fixture) wantAll(captures []*store.Capture, streams [][]byte) {
	f.t.Helper()
	for n, c := range captures {
		found, err := f.Find(f.t.Context(), c.ID)
		if err != nil {
			f.t.Fatal(err)
		}
		if store.HashOf(found) != store.HashOf(c) {
			f.t.Errorf("the hash of capture %d is another one", n)
		}
		if sha256.Sum256(f.restore(found)) != sha256.Sum256(streams[n]) {
			f.t.Errorf("capture %d restores to something else", n)
		}
	}
	f.verify(f.t.Context())
}

// TestToDeltas stores what is there anew: it takes at most a tenth more than a repository that had deltas from the first capture
// on, all captures are what they were, and a second run finds nothing to do.
func TestToDeltas(t *testing.T) {
	for _, d := range []store.Deltas{store.DeltasOn, store.DeltasOwn} {
		for name, batch := range map[string]int64{"at once": 0, "in batches": 100_000} {
			t.Run(string(d)+" "+name, func(t *testing.T) {
				f, captures, streams := aged(t, 8, 120)
				before := f.stored()
				fresh := newFixtureOf(t, withDeltas(d))
				for n := range streams {
					fresh.capture(streams[n])
				}
				f.setDeltas(d)
				o := store.ReclaimOptions{Grace: store.NoGrace, ToDeltas: &store.ToDeltasOptions{Batch: batch}}
				o.DryRun = true
				plan := f.reclaim(o)
				o.DryRun = false
				if plan.ToDeltas == nil || plan.ToDeltas.Left == 0 || f.stored() < before || plan.ToDeltas.LeftBytes > before {
					t.Errorf("planned: %+v", plan.ToDeltas)
				}
				out := f.reclaim(o)
				if a := out.ToDeltas; a == nil || a.Slabs == 0 || a.Slabs != plan.ToDeltas.Left || a.Left != 0 || a.Bytes != plan.ToDeltas.LeftBytes {
					t.Errorf("%+v was stored anew, %+v planned", a, plan.ToDeltas)
				}
				f.wantAll(captures, streams)
				got, want := f.stored(), fresh.stored()
				t.Logf("%d bytes before, %d after, %d of a fresh repository: %.3f", before, got, want, float64(got)/float64(want))
				if got > want+want/10 {
					t.Errorf("%d bytes are stored, %d in a fresh repository", got, want)
				}
				again := f.reclaim(o)
				if again.ToDeltas.Slabs != 0 || again.ToDeltas.Left != 0 || again.Moved != 0 || f.stored() > got {
					t.Errorf("again: %+v", again)
				}
			})
		}
	}
}

// TestToDeltasRefused: where there are none, nothing can be stored with them.
func TestToDeltasRefused(t *testing.T) {
	for name, test := range map[string]struct {
		o    store.CreateOptions
		want error
	}{
		"off":   {store.CreateOptions{ChunkAverage: 8192}, store.ErrNoDeltas},
		"apart": {store.CreateOptions{ChunkAverage: 8192, Apart: store.ApartCompressed}, store.ErrBadOptions},
	} {
		f := newFixtureOf(t, test.o)
		f.capture(tarOf(t, file{name: "a", content: random(1, 100_000)}))
		for _, dry := range []bool{false, true} {
			_, err := f.Reclaim(t.Context(), store.ReclaimOptions{ToDeltas: &store.ToDeltasOptions{}, DryRun: dry})
			if !errors.Is(err, test.want) {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	f := newFixtureOf(t, withDeltas(store.DeltasOn))
	for _, o := range []store.ToDeltasOptions{{For: -1}, {Batch: -1}, {Room: -1}} {
		if _, err := f.Reclaim(t.Context(), store.ReclaimOptions{ToDeltas: &o}); !errors.Is(err, store.ErrBadOptions) {
			t.Errorf("%+v: %v", o, err)
		}
	}
}
