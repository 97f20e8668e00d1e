package intake

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/store/internal/known"
)

// What is chosen for a frame follows from the frame.
func TestChoiceOfEncoder(t *testing.T) {
	text := bytes.Repeat([]byte("bean, pea, lentil; "), 1<<20/19)
	for _, test := range []struct {
		name   string
		level  zstd.EncoderLevel
		lane   Lane
		raw    []byte
		chunks int
		quick  bool
	}{
		{"long contents", 0, Contents, text, 50, true},
		{"small files", 0, Contents, text, 70, false},
		{"a list", 0, Listing, text, 50, false},
		{"long contents at a level", zstd.SpeedDefault, Contents, text, 50, false},
		{"noise in small files", 0, Contents, noise(1, 1, 1<<20)[0], 1000, true},
		{"noise at a level", zstd.SpeedBetterCompression, Listing, noise(1, 1, 1<<20)[0], 50, true},
		{"few bytes", 0, Contents, text[:10], 1, false},
	} {
		c, err := newCompressor(test.level, testMaxChunk)
		if err != nil {
			t.Fatal(err)
		}
		f := &frame{lane: test.lane, raw: test.raw, lengths: make([]uint32, test.chunks)}
		if quick := c.encoder(f) == c.quick; quick != test.quick {
			t.Errorf("%s: quick is %v", test.name, quick)
		}
	}
}

func TestResolve(t *testing.T) {
	r := newRepo(t)
	chunks := noise(5, 40, 3000)
	for range 2 { // two sessions that know nothing of each other
		in := r.start(t, t.Context(), known.New())
		mustPut(t, in, in.Stream(Contents), chunks...)
		mustClose(t, in)
	}
	index := r.known(t)
	if index.Len() != 2*len(chunks) {
		t.Fatalf("%d chunks are known", index.Len())
	}
	in := r.start(t, t.Context(), index)
	h := r.keys.NewHasher()
	for first := range known.Ref(2) {
		refs := make([]known.Ref, len(chunks))
		for i := range refs {
			refs[i] = first*known.Ref(len(chunks)) + known.Ref(i)
		}
		ids, err := in.Resolve(t.Context(), refs)
		if err != nil {
			t.Fatal(err)
		}
		for i, c := range chunks {
			if ids[i] != h.Sum(c) {
				t.Errorf("chunk %d has the identity %v", i, ids[i])
			}
			if refs[i] != known.Ref(i) {
				t.Errorf("chunk %d is found as %d", i, refs[i])
			}
		}
	}
	mustClose(t, in)
	if _, err := in.Resolve(t.Context(), []known.Ref{0}); !errors.Is(err, context.Canceled) {
		t.Errorf("after the end: %v", err)
	}
}

func TestResolveEndsWithItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	in := &Intake{ctx: t.Context(), ask: make(chan question)} // nobody hears
	cancel()
	if _, err := in.Resolve(ctx, nil); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// Chunks that are known pass without an allocation each.
func TestAllocationsOfKnownChunks(t *testing.T) {
	r := newRepo(t)
	chunks := noise(6, 2000, 4000)
	in := r.start(t, t.Context(), known.New())
	mustPut(t, in, in.Stream(Contents), chunks...)
	mustClose(t, in)
	in = r.start(t, t.Context(), r.known(t))
	for name, put := range map[string]func(s *Stream) error{
		"found": func(s *Stream) error { return putAll(in, s, chunks...) },
		"told": func(s *Stream) error {
			for i, c := range chunks {
				if err := in.PutKnown(s, known.Ref(i), len(c)); err != nil {
					return err
				}
			}
			return nil
		},
	} {
		n := testing.AllocsPerRun(3, func() {
			if err := put(in.Stream(Contents)); err != nil {
				t.Fatal(err)
			}
			if err := in.Settle(); err != nil {
				t.Fatal(err)
			}
		})
		if n > float64(len(chunks)/10) {
			t.Errorf("%s: %v allocations for %d chunks", name, n, len(chunks))
		}
	}
	mustClose(t, in)
}
