package intake

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"testing"

	"github.com/klauspost/compress/zstd"

	"github.com/kistarchive/kist/store/internal/known"
)

// What is chosen for a frame follows from the frame.
func TestChoiceOfEncoder(t *testing.T) {
	text := bytes.Repeat([]byte("bean, pea, lentil; "), 1<<20/19)
	random := noise(1, 1, 1<<20)[0]
	coded := []byte(base64.StdEncoding.EncodeToString(random[:3<<18]))
	for _, test := range []struct {
		name   string
		level  zstd.EncoderLevel
		lane   Lane
		raw    []byte
		chunks int
		want   string
	}{
		{"long contents", 0, Contents, text, 50, "quick"},
		{"small files", 0, Contents, text, 70, "usual"},
		{"a list", 0, Listing, text, 50, "usual"},
		{"long contents at a level", zstd.SpeedDefault, Contents, text, 50, "usual"},
		{"noise in long contents", 0, Contents, random, 50, "plain"},
		{"noise in small files", 0, Contents, random, 1000, "plain"},
		{"noise at a level", zstd.SpeedBetterCompression, Listing, random, 50, "plain"},
		{"text and noise in long contents", 0, Contents, append(random[:1<<19:1<<19], text[:1<<19]...), 50, "quick"},
		{"base64 in long contents", 0, Contents, coded, 50, "quick"},
		{"base64 in small files", 0, Contents, coded, 1000, "usual"},
		{"base64 at a level", zstd.SpeedFastest, Contents, coded, 50, "usual"},
		{"few bytes", 0, Contents, text[:10], 1, "usual"},
		{"few bytes of noise in long contents", 0, Contents, random[:samples*sampleLength-1], 1, "usual"},
		{"no more bytes of noise than a chunk may have", 0, Contents, random[:testMaxChunk], 1, "plain"},
	} {
		c, err := newCompressor(test.level, testMaxChunk)
		if err != nil {
			t.Fatal(err)
		}
		f := &frame{lane: test.lane, raw: test.raw, lengths: make([]uint32, test.chunks)}
		got := map[*zstd.Encoder]string{c.usual: "usual", c.quick: "quick", c.plain: "plain"}[c.encoder(f)]
		if got != test.want {
			t.Errorf("%s: %s", test.name, got)
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
