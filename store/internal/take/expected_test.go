package take

import (
	"bytes"
	"context"
	"io"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/kistarchive/kist/chunk"
	"github.com/kistarchive/kist/store/internal/ledger"
	"github.com/kistarchive/kist/store/internal/vault"
)

func captureAs(t *testing.T, r *Taker, name string, b []byte) *ledger.Capture {
	t.Helper()
	return captureAt(t, r, time.Now(), name, b)
}

func captureAt(t *testing.T, r *Taker, at time.Time, name string, b []byte) *ledger.Capture {
	t.Helper()
	made, err := r.Capture(t.Context(), Options{Name: name, Taken: at, Meter: vault.NewMeter(nil), Volumes: []Volume{{Name: "data", Open: func(context.Context) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(b)), nil
	}}}})
	if err != nil {
		t.Fatal(err)
	}
	return made.Capture
}

func noiseBytes(seed byte, n int) []byte {
	b := make([]byte, n)
	rand.NewChaCha8([32]byte{seed}).Read(b)
	return b
}

// changed are streams that go on from a base in different ways.
func changed() map[string][]byte {
	base := noiseBytes(1, 16<<20)
	edit := bytes.Clone(base)
	edit[9<<20] ^= 1
	return map[string][]byte{
		"unchanged":  base,
		"one byte":   edit,
		"inserted":   slices.Concat(base[:8<<20], noiseBytes(2, 1<<20), base[8<<20:]),
		"deleted":    slices.Concat(base[:7<<20], base[9<<20+77:]),
		"cut short":  base[:12<<20+5],
		"appended":   slices.Concat(base, noiseBytes(3, 200_000)),
		"exchanged":  slices.Concat(base[10<<20:], base[:10<<20]),
		"all new":    noiseBytes(4, 16<<20),
		"zeros":      make([]byte, 16<<20),
		"empty":      nil,
		"with zeros": slices.Concat(base[:8<<20], make([]byte, 1<<20), base[8<<20:]),
	}
}

// chunksOf gives the chunks of contents as they are expected later.
func chunksOf(t *testing.T, r *Taker, params chunk.Params, b []byte) (all []expectedChunk) {
	t.Helper()
	c, err := chunk.NewCutter(params)
	if err != nil {
		t.Fatal(err)
	}
	c.Reset(bytes.NewReader(b))
	h := r.vault.Keys().NewHasher()
	for at := int64(0); ; {
		b, err := c.Next(nil)
		if err == io.EOF {
			return all
		}
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, expectedChunk{length: len(b), id: h.Sum(b), at: at})
		at += int64(len(b))
	}
}

// What did not change is taken without a search, but for what lies around a
// change.
func TestExpectedIsTaken(t *testing.T) {
	r := newTaker(t)
	// A polynomial of the library's own tests: the counts are always the same.
	params := chunk.Params{Average: chunk.DefaultAverage, Polynomial: 0x3DA3358B4DC173}
	base := chunksOf(t, r, params, changed()["unchanged"])
	for name, most := range map[string]int{ // of the chunks that are searched for
		"unchanged": 0, "one byte": 5, "inserted": 1<<20/params.Average + 10, "deleted": 5,
		"cut short": 1, "appended": 200_000/params.Average + 10, "with zeros": 1<<20/params.Min() + 5,
	} {
		b := changed()[name]
		blocks := make(chan []expectedChunk, len(base))
		for block := range slices.Chunk(base, 100) {
			blocks <- slices.Clone(block)
		}
		x := &expected{blocks: blocks, hasher: r.vault.Keys().NewHasher()}
		c, _ := chunk.NewCutter(params)
		c.Reset(bytes.NewReader(b))
		searched, length := 0, 0
		for {
			if got, ok := x.take(c); ok {
				length += got.length
				continue
			}
			got, err := c.Next(nil)
			if err == io.EOF {
				break
			}
			x.passed(got)
			length += len(got)
			searched++
		}
		if length != len(b) {
			t.Errorf("%s: %d bytes of %d", name, length, len(b))
		}
		if searched > most {
			t.Errorf("%s: %d chunks searched for, more than %d", name, searched, most)
		}
	}
}

func TestExpectingDoesNotAllocate(t *testing.T) {
	r := newTaker(t)
	params := chunk.Params{Average: chunk.DefaultAverage, Polynomial: 0x3DA3358B4DC173}
	data := changed()["unchanged"]
	all := chunksOf(t, r, params, data)
	x := &expected{hasher: r.vault.Keys().NewHasher()}
	c, _ := chunk.NewCutter(params)
	in := bytes.NewReader(data)
	if n := testing.AllocsPerRun(5, func() {
		in.Reset(data)
		c.Reset(in)
		x.next = all
		for range all {
			if _, ok := x.take(c); !ok {
				t.Fatal("not taken")
			}
		}
	}); n > 0 {
		t.Errorf("%v allocations for %d chunks", n, len(all))
	}
}

// What is expected of a stream comes from the latest capture of the same volume,
// and from none of a folder.
func TestLatestContents(t *testing.T) {
	r := newTaker(t)
	taken := time.Date(2026, 3, 14, 2, 3, 0, 0, time.UTC)
	captureAt(t, r, taken, "seedbank", noiseBytes(1, 100_000))
	taken = taken.Add(time.Minute) // ids tell minutes apart
	want := captureAt(t, r, taken, "seedbank", noiseBytes(2, 100_000)).Volumes[0].Contents
	for i := range 2 * vault.Few {
		taken = taken.Add(time.Minute)
		captureAt(t, r, taken, "other", noiseBytes(byte(i), 1000))
	}
	for _, test := range []struct {
		name, volume string
		found        bool
	}{{"seedbank", "data", true}, {"seedbank", "config", false}, {"nobody", "data", false}} {
		files, err := r.ledger.ListCaptures(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		s := &session{r: r, o: Options{Name: test.name}, files: files}
		got := s.latestRead(t.Context(), Volume{Name: test.volume})
		if (got != nil) != test.found || got != nil && got.Contents.Digest != want.Digest {
			t.Errorf("%s, volume %s: %+v", test.name, test.volume, got)
		}
	}
}

// What is looked up is what the capture before is made of.
func TestLookUpExpected(t *testing.T) {
	r := newTaker(t)
	base := changed()["unchanged"]
	captureAs(t, r, "seedbank", base)
	o := Options{Name: "seedbank", Meter: vault.NewMeter(nil), Volumes: []Volume{{Name: "data"}}}
	s := begun(t, r, o)
	defer s.abandon(t.Context())
	x := s.expect(t.Context(), o.Volumes[0])
	x.passed(base[:expectedFrom-1])
	if x.blocks != nil {
		t.Error("looked up for a short stream")
	}
	x.passed(base[:1])
	if x.blocks == nil {
		t.Fatal("not looked up")
	}
	x.close() // may have cut it short
	x = s.expect(t.Context(), o.Volumes[0])
	x.blocks = x.start()
	var got []expectedChunk
	for block := range x.blocks {
		got = append(got, block...)
	}
	x.close()
	want := chunksOf(t, r, s.Params, base)
	for i := range got {
		if i < len(want) {
			want[i].ref = got[i].ref
		}
		if ref, ok := s.index.Lookup(got[i].id); !ok || ref != got[i].ref {
			t.Errorf("chunk %d has number %d in the index, not %d", i, got[i].ref, ref)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("%d chunks are looked up that are not the %d of the capture", len(got), len(want))
	}
}
