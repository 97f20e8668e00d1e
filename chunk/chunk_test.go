package chunk

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"io"
	"math/bits"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"testing/iotest"

	"github.com/restic/chunker"
	"pgregory.net/rapid"
)

// testPolynomial is the one that the library's own tests use, from its
// chunker_test.go.
const testPolynomial = Polynomial(0x3DA3358B4DC173)

func testParams(average int) Params {
	return Params{Average: average, Polynomial: testPolynomial}
}

func random(seed byte, n int) []byte {
	b := make([]byte, n)
	rand.NewChaCha8([32]byte{seed}).Read(b)
	return b
}

// libraryLengths is the oracle: the library's chunker alone.
func libraryLengths(t testing.TB, p Params, data []byte) (lengths []int) {
	c := chunker.NewWithBoundaries(bytes.NewReader(data), chunker.Pol(p.Polynomial), uint(p.Average/4), uint(p.Average*4))
	c.SetAverageBits(bits.Len(uint(p.Average)) - 1)
	for {
		chunk, err := c.Next(nil)
		if err == io.EOF {
			return lengths
		}
		if err != nil {
			t.Fatal(err)
		}
		lengths = append(lengths, int(chunk.Length))
	}
}

func cutterLengths(t testing.TB, c *Cutter, r io.Reader, data []byte) (lengths []int) {
	c.Reset(r)
	buf := make([]byte, c.params.Max())
	for {
		chunk, err := c.Next(buf)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if &chunk[0] != &buf[0] {
			t.Fatal("a chunk is not stored in buf")
		}
		if !bytes.Equal(chunk, data[:len(chunk)]) {
			t.Fatal("a chunk differs from the content")
		}
		lengths, data = append(lengths, len(chunk)), data[len(chunk):]
	}
	if len(data) > 0 {
		t.Fatalf("%d bytes missing at the end", len(data))
	}
	if _, err := c.Next(buf); err != io.EOF {
		t.Fatalf("after the end: %v", err)
	}
	return lengths
}

func writerLengths(t testing.TB, p Params, data []byte, sizes func() int) (lengths []int) {
	rest := data
	w, err := NewWriter(p, func(chunk []byte) error {
		if !bytes.Equal(chunk, rest[:len(chunk)]) {
			return errors.New("a chunk differs from the content")
		}
		lengths, rest = append(lengths, len(chunk)), rest[len(chunk):]
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for left := data; len(left) > 0; {
		n := min(sizes(), len(left))
		if m, err := w.Write(left[:n]); err != nil || m != n {
			t.Fatal(m, err)
		}
		left = left[n:]
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if len(rest) > 0 {
		t.Fatalf("%d bytes missing at the end", len(rest))
	}
	return lengths
}

// Contents whose lengths lie around every limit: of chunks, and of the
// library's buffer.
func TestBoundariesAreTheLibrarys(t *testing.T) {
	averages := []int{MinAverage, DefaultAverage, MaxAverage}
	if testing.Short() {
		averages = []int{MinAverage, DefaultAverage}
	}
	for _, average := range averages {
		p := testParams(average)
		c, err := NewCutter(p)
		if err != nil {
			t.Fatal(err)
		}
		for _, base := range []int{0, 64, p.Min(), average, p.Max(), 512 << 10, 512<<10 + p.Min(), 3 << 20} {
			for _, n := range []int{base - 1, base, base + 1} {
				data := random(byte(average>>13), max(n, 0))
				want := libraryLengths(t, p, data)
				if got := cutterLengths(t, c, bytes.NewReader(data), data); !slices.Equal(got, want) {
					t.Errorf("average %d, %d bytes: Cutter %v, library %v", average, n, got, want)
				}
				if got := writerLengths(t, p, data, func() int { return 10_007 }); !slices.Equal(got, want) {
					t.Errorf("average %d, %d bytes: Writer %v, library %v", average, n, got, want)
				}
			}
		}
	}
}

// A window of zeros has the fingerprint 0, which cuts.
func TestUniformContents(t *testing.T) {
	p := testParams(MinAverage)
	c, _ := NewCutter(p)
	for _, fill := range []byte{0, 1, 0xff} {
		data := bytes.Repeat([]byte{fill}, 300_000)
		want := libraryLengths(t, p, data)
		got := cutterLengths(t, c, bytes.NewReader(data), data)
		if !slices.Equal(got, want) {
			t.Errorf("bytes %#x: Cutter %v, library %v", fill, got, want)
		}
		if fill == 0 && got[0] != p.Min() {
			t.Errorf("zeros are cut after %d bytes", got[0])
		}
	}
}

func TestAnyReadsAndWrites(t *testing.T) {
	data := random(7, 2<<20)
	p := testParams(MinAverage)
	want := libraryLengths(t, p, data)
	c, _ := NewCutter(p)
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(0, len(data)).Draw(rt, "length")
		limit := rapid.SampledFrom([]int{37, 1000, 100_000, 1 << 20}).Draw(rt, "limit")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 0))
		want := libraryLengths(t, p, data[:n])
		got := cutterLengths(t, c, &raggedReader{bytes.NewReader(data[:n]), rng, limit}, data[:n])
		if !slices.Equal(got, want) {
			rt.Fatalf("Cutter %v, library %v", got, want)
		}
		if got := writerLengths(t, p, data[:n], func() int { return rng.IntN(limit) }); !slices.Equal(got, want) {
			rt.Fatalf("Writer %v, library %v", got, want)
		}
	})
	for _, r := range []io.Reader{iotest.HalfReader(bytes.NewReader(data)), iotest.DataErrReader(bytes.NewReader(data))} {
		if got := cutterLengths(t, c, r, data); !slices.Equal(got, want) {
			t.Error("differs with a reader of package iotest")
		}
	}
}

// raggedReader returns any number of bytes, none at all included.
type raggedReader struct {
	r     io.Reader
	rng   *rand.Rand
	limit int
}

func (r *raggedReader) Read(p []byte) (int, error) {
	return r.r.Read(p[:min(len(p), r.rng.IntN(r.limit))])
}

// An insertion changes the chunks around it, and no others.
func TestInsertionStaysLocal(t *testing.T) {
	p := testParams(DefaultAverage)
	data := random(3, 4<<20)
	at := 1 << 20
	changed := slices.Concat(data[:at], []byte("one more line\n"), data[at:])
	known := map[[32]byte]bool{}
	collect := func(data []byte, each func([]byte)) {
		w, _ := NewWriter(p, func(chunk []byte) error { each(chunk); return nil })
		w.Write(data)
		w.Close()
	}
	collect(data, func(chunk []byte) { known[sha256.Sum256(chunk)] = true })
	fresh := 0
	collect(changed, func(chunk []byte) {
		if !known[sha256.Sum256(chunk)] {
			fresh++
		}
	})
	// Chunks of at most 64 KiB resynchronize after a few; 10 is generous.
	if fresh == 0 || fresh > 10 {
		t.Errorf("%d new chunks of %d", fresh, len(known))
	}
}

func TestReadErrors(t *testing.T) {
	broken := errors.New("broken")
	data := random(1, 1<<20)
	c, _ := NewCutter(testParams(MinAverage))
	want := libraryLengths(t, c.params, data)
	for _, failure := range []error{broken, io.ErrUnexpectedEOF} {
		for _, n := range []int{0, 1, 2048, 2049, 100_000, 512<<10 + 2049, 1 << 20} {
			c.Reset(io.MultiReader(bytes.NewReader(data[:n]), iotest.ErrReader(failure)))
			var err error
			for rest := want; err == nil; rest = rest[1:] {
				var chunk []byte
				if chunk, err = c.Next(nil); err == nil && len(chunk) != rest[0] {
					t.Errorf("after %d bytes: a chunk of %d bytes instead of %d", n, len(chunk), rest[0])
				}
			}
			if err != failure {
				t.Errorf("after %d bytes: %v instead of %v", n, err, failure)
			}
			if _, err := c.Next(nil); err != failure {
				t.Errorf("after %d bytes, again: %v", n, err)
			}
		}
	}
	// A failure leaves nothing behind.
	if got := cutterLengths(t, c, bytes.NewReader(data), data); !slices.Equal(got, libraryLengths(t, c.params, data)) {
		t.Error("cuts differently after a failure")
	}
	c.Reset(nothing{})
	if _, err := c.Next(nil); err != io.ErrNoProgress {
		t.Errorf("a reader that returns nothing: %v", err)
	}
}

type nothing struct{}

func (nothing) Read([]byte) (int, error) { return 0, nil }

func TestNextBeforeReset(t *testing.T) {
	c, _ := NewCutter(testParams(MinAverage))
	if _, err := c.Next(nil); err != io.EOF {
		t.Error(err)
	}
}

func TestEmitErrors(t *testing.T) {
	full := errors.New("full")
	data := random(2, 3<<20)
	for fail := range 40 {
		emitted := 0
		w, _ := NewWriter(testParams(64<<10), func([]byte) error {
			if emitted++; emitted > fail {
				return full
			}
			return nil
		})
		n, err := w.Write(data)
		if err == nil {
			if n != len(data) {
				t.Fatalf("Write returned %d without an error", n)
			}
		} else if err != full {
			t.Fatal(err)
		}
		if again, err2 := w.Write(data[:1]); err != nil && (err2 != full || again != 0) {
			t.Fatalf("the error does not stay: %v", err2)
		}
		if err := w.Close(); err != full && emitted > fail {
			t.Fatalf("Close: %v", err)
		}
		if emitted > fail+1 {
			t.Fatal("emitted after an error")
		}
	}
}

func TestWriterClosed(t *testing.T) {
	emitted := 0
	w, _ := NewWriter(testParams(MinAverage), func([]byte) error { emitted++; return nil })
	if err := w.Close(); err != nil || emitted != 0 {
		t.Error(err, emitted)
	}
	if err := w.Close(); err != nil {
		t.Error(err)
	}
	if _, err := w.Write([]byte("x")); err != ErrClosed {
		t.Error(err)
	}
}

// A Writer that is closed leaves no goroutine, whatever happened before.
func TestWriterLeavesNoGoroutine(t *testing.T) {
	before := runtime.NumGoroutine()
	data := random(6, 1<<20)
	for range 50 {
		for _, fail := range []error{nil, errors.New("full")} {
			w, _ := NewWriter(testParams(MinAverage), func([]byte) error { return fail })
			w.Write(data)
			w.Close()
		}
		w, _ := NewWriter(testParams(MinAverage), func([]byte) error { panic("emit") })
		w.Write(data[:100])
		func() {
			defer func() {
				if recover() != "emit" {
					t.Error("the panic is lost")
				}
			}()
			w.Close()
		}()
	}
	if after := runtime.NumGoroutine(); after > before {
		t.Errorf("%d goroutines, %d before", after, before)
	}
}

func TestWriterKeepsNothingOfTheInput(t *testing.T) {
	var got []byte
	w, _ := NewWriter(testParams(MinAverage), func(chunk []byte) error { got = append(got, chunk...); return nil })
	data := random(4, 1<<20)
	for part := range slices.Chunk(data, 3000) {
		scratch := bytes.Clone(part)
		w.Write(scratch)
		clear(scratch)
	}
	w.Close()
	if !bytes.Equal(got, data) {
		t.Error("chunks differ from what was written")
	}
}

func TestNoAllocationPerChunk(t *testing.T) {
	p := testParams(MinAverage)
	data := random(5, 1<<20)
	c, _ := NewCutter(p)
	buf := make([]byte, p.Max())
	r := bytes.NewReader(data)
	if n := testing.AllocsPerRun(5, func() {
		for _, n := range []int{len(data), 10, 0, p.Min(), 100_000} {
			r.Reset(data[:n])
			c.Reset(r)
			for {
				if _, err := c.Next(buf); err != nil {
					break
				}
			}
		}
	}); n > 0 {
		t.Errorf("Cutter: %v allocations", n)
	}
	lengths := libraryLengths(t, p, data)
	if n := testing.AllocsPerRun(5, func() {
		r.Reset(data)
		c.Reset(r)
		for _, n := range lengths {
			if c.Take(n, func([]byte) bool { return true }) == nil {
				t.Fatal("not taken")
			}
		}
	}); n > 0 {
		t.Errorf("Take: %v allocations", n)
	}
	w, _ := NewWriter(p, func([]byte) error { return nil })
	w.Write(data) // grows its buffer
	if n := testing.AllocsPerRun(5, func() { w.Write(data) }); n > 0 {
		t.Errorf("Writer: %v allocations", n)
	}
	w.Close()
}

func TestValidate(t *testing.T) {
	for _, test := range []struct {
		p  Params
		ok bool
	}{
		{testParams(MinAverage), true},
		{testParams(DefaultAverage), true},
		{testParams(MaxAverage), true},
		{testParams(MinAverage / 2), false},
		{testParams(MaxAverage * 2), false},
		{testParams(MinAverage + 1), false},
		{testParams(12 << 10), false},
		{testParams(0), false},
		{testParams(-MinAverage), false},
		{Params{Average: MinAverage}, false},
		{Params{Average: MinAverage, Polynomial: 1 << 52}, false},
		{Params{Average: MinAverage, Polynomial: 1 << 54}, false},
	} {
		if err := test.p.Validate(); (err == nil) != test.ok {
			t.Errorf("%+v: %v", test.p, err)
		}
		c, err := NewCutter(test.p)
		if (err == nil) != test.ok || (c != nil) != test.ok {
			t.Errorf("NewCutter %+v: %v", test.p, err)
		}
		w, err := NewWriter(test.p, func([]byte) error { return nil })
		if (err == nil) != test.ok {
			t.Errorf("NewWriter %+v: %v", test.p, err)
		}
		if w != nil {
			w.Close()
		}
	}
}
