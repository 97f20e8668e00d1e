package chunk

import (
	"bytes"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// layout is a content made of stretches: of data, or of zeros that are told or not.
type layout []stretchOf

type stretchOf struct {
	data []byte
	hole int64 // in place of data
	told bool
}

func (l layout) bytes() []byte {
	var all []byte
	for _, s := range l {
		all = append(all, s.data...)
		all = append(all, make([]byte, s.hole)...)
	}
	return all
}

// layoutReader reads a layout, some bytes at a time.
type layoutReader struct {
	rest layout
	most int
}

func newLayoutReader(l layout, most int) *layoutReader { return &layoutReader{slices.Clone(l), most} }

func (r *layoutReader) Hole() int64 {
	r.pass()
	if len(r.rest) == 0 || !r.rest[0].told {
		return 0
	}
	return r.rest[0].hole
}

func (r *layoutReader) Skip(n int64) { r.rest[0].hole -= n }

func (r *layoutReader) pass() {
	for len(r.rest) > 0 && len(r.rest[0].data) == 0 && r.rest[0].hole == 0 {
		r.rest = r.rest[1:]
	}
}

func (r *layoutReader) Read(p []byte) (int, error) {
	r.pass()
	if len(r.rest) == 0 {
		return 0, io.EOF
	}
	s := &r.rest[0]
	p = p[:min(len(p), r.most)]
	if s.hole > 0 {
		n := min(int64(len(p)), s.hole)
		clear(p[:n])
		s.hole -= n
		return int(n), nil
	}
	n := copy(p, s.data)
	s.data = s.data[n:]
	return n, nil
}

// cutLayout gives the lengths of the chunks; ask says when Zeros is asked.
func cutLayout(t failer, c *Cutter, r io.Reader, want []byte, ask func() bool) (lengths []int, zeros int64) {
	t.Helper()
	c.Reset(r)
	var buf []byte
	for {
		if ask() {
			n := c.Zeros()
			zeros += n
			for range n {
				lengths = append(lengths, c.params.Min())
			}
			if !bytes.Equal(want[:n*int64(c.params.Min())], make([]byte, n*int64(c.params.Min()))) {
				t.Fatal("Zeros passed over other bytes")
			}
			want = want[n*int64(c.params.Min()):]
		}
		chunk, err := c.Next(buf)
		if err == io.EOF {
			if len(want) > 0 {
				t.Fatalf("%d bytes are missing", len(want))
			}
			return lengths, zeros
		}
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(chunk, want[:len(chunk)]) {
			t.Fatal("a chunk with other bytes")
		}
		want, buf = want[len(chunk):], chunk
		lengths = append(lengths, len(chunk))
	}
}

// TestHoles cuts contents with holes as it cuts them where nobody tells of holes.
func TestHoles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		average := rapid.SampledFrom([]int{MinAverage, DefaultAverage, 1 << 18}).Draw(t, "average")
		c, err := NewCutter(testParams(average))
		if err != nil {
			t.Fatal(err)
		}
		c.Share(rapid.IntRange(1, 2).Draw(t, "share"))
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		var l layout
		for range rapid.IntRange(0, 6).Draw(t, "stretches") {
			n := rapid.OneOf(rapid.IntRange(0, 300), rapid.IntRange(0, 3*average), rapid.IntRange(leastHole-2, leastHole+2*average)).Draw(t, "length")
			if rapid.Bool().Draw(t, "hole") {
				l = append(l, stretchOf{hole: int64(n), told: rapid.Bool().Draw(t, "told")})
				continue
			}
			b := make([]byte, n)
			for i := range b {
				b[i] = byte(random.Uint32())
			}
			l = append(l, stretchOf{data: b})
		}
		all := l.bytes()
		plain, _ := cutLayout(t, c, bytes.NewReader(all), all, func() bool { return false })
		most := rapid.SampledFrom([]int{1 << 10, 70_000, 1 << 30}).Draw(t, "reads of")
		for name, ask := range map[string]func() bool{
			"never": func() bool { return false }, "always": func() bool { return true },
			"at times": func() bool { return random.Uint32()%2 == 0 },
		} {
			got, _ := cutLayout(t, c, newLayoutReader(l, most), all, ask)
			if !slices.Equal(got, plain) {
				t.Fatalf("%s asked: chunks of %v bytes, not %v", name, got, plain)
			}
		}
	})
}

// failer is what a testing.T and a rapid.T have in common.
type failer interface {
	Helper()
	Fatal(args ...any)
	Fatalf(format string, args ...any)
}

// TestHolesAreNotRead finds all but the ends of holes in what Zeros tells.
func TestHolesAreNotRead(t *testing.T) {
	p := testParams(DefaultAverage)
	c, err := NewCutter(p)
	if err != nil {
		t.Fatal(err)
	}
	l := layout{{data: random(1, 5000)}, {hole: 1 << 20, told: true}, {data: random(2, 9)}, {hole: 1 << 20, told: true}}
	all := l.bytes()
	_, zeros := cutLayout(t, c, newLayoutReader(l, 1<<30), all, func() bool { return true })
	if least := int64(2<<20/p.Min() - 4); zeros < least {
		t.Errorf("Zeros gave %d chunks, want %d at the least", zeros, least)
	}
	huge := layout{{data: random(1, 5000)}, {hole: 1 << 60, told: true}}
	c.Reset(newLayoutReader(huge, 1<<30))
	var lengths []string
	for {
		if n := c.Zeros(); n > 0 {
			lengths = append(lengths, fmt.Sprint(n, " times"))
		}
		chunk, err := c.Next(nil)
		if err == io.EOF {
			break
		}
		lengths = append(lengths, fmt.Sprint(len(chunk)))
	}
	if len(lengths) > 6 {
		t.Errorf("an exbibyte of zeros came in %v", lengths)
	}
}
