package chunk

import (
	"bytes"
	"fmt"
	"slices"
	"sync"
	"testing"
)

// sharing gives a Cutter whose search several goroutines do.
func sharing(t testing.TB, p Params, n int) *Cutter {
	c, err := NewCutter(p)
	if err != nil {
		t.Fatal(err)
	}
	c.Share(n)
	return c
}

// cutWhole cuts data, read from r, into chunks.
func cutWhole(c *Cutter, r *bytes.Reader, data, buf []byte) {
	r.Reset(data)
	c.Reset(r)
	for {
		if _, err := c.Next(buf); err != nil {
			return
		}
	}
}

// A place to cut at is found wherever it lies at the end of a part: before it,
// behind it, and with its window across it.
func TestSharedSearchAtEverySplit(t *testing.T) {
	p := testParams(MinAverage)
	noise := random(11, 4*p.Average)
	at := plainPlaces(p, noise)[0]
	good := noise[at+1 : at+1+window]
	base := random(13, 3*cutterBuffer)
	c := sharing(t, p, 4)
	for offset := -window - 6; offset <= 6; offset++ {
		data := bytes.Clone(base)
		for split := partLength; split+window+offset < len(data); split += partLength {
			copy(data[split+offset:], good)
		}
		want := libraryLengths(t, p, data)
		if got := cutterLengths(t, c, bytes.NewReader(data), data); !slices.Equal(got, want) {
			t.Errorf("windows %d bytes from the ends of parts: %v, library %v", offset, got, want)
		}
	}
}

// However many search, and however the parts fall, the ends are the library's.
func TestSharedSearchIsTheSame(t *testing.T) {
	for _, average := range []int{MinAverage, DefaultAverage} {
		p := testParams(average)
		for _, n := range []int{1, 2, 3, 16} {
			c := sharing(t, p, n)
			for _, length := range []int{0, 1, partLength, 2*partLength - 1, 2*partLength + 1, cutterBuffer, 1<<20 + 77, 4 << 20} {
				data := random(byte(n), length)
				if length > 1<<20 {
					clear(data[length/3 : length/2]) // all of it places
				}
				want := libraryLengths(t, p, data)
				if got := cutterLengths(t, c, bytes.NewReader(data), data); !slices.Equal(got, want) {
					t.Errorf("average %d, %d goroutines, %d bytes: %v, library %v", average, n, length, got, want)
				}
			}
		}
	}
}

// The parts set the places that one search of all sets, and no others.
func TestSharedPlaces(t *testing.T) {
	p := testParams(MinAverage)
	s := newScanner(p)
	c := newCrew(s)
	c.size = 4
	data := withPlaces(p, window+cutterBuffer+overrun)
	for _, from := range []int{0, 1, 63, 64, 100, partLength - 1, partLength, 3*partLength + 65} {
		for _, to := range []int{from + 2*partLength, from + 2*partLength + 1, cutterBuffer - 1, cutterBuffer} {
			one, several := make([]uint64, (cutterBuffer+overrun)/64+1), make([]uint64, (cutterBuffer+overrun)/64+1)
			s.search(data, from, to, one)
			c.search(data, from, to, several)
			for at := from; at < to; {
				a, b := first(one, at, to), first(several, at, to)
				if a != b {
					t.Fatalf("from %d to %d: the first place from %d on is %d, not %d", from, to, at, b, a)
				}
				at = a + 1
			}
		}
	}
}

// Several Cutters on fewer cores than they may use: nobody waits for ever.
func TestManyShare(t *testing.T) {
	p := testParams(MinAverage)
	data := random(14, 2<<20)
	want := libraryLengths(t, p, data)
	var all sync.WaitGroup
	for range 8 {
		all.Go(func() {
			c := sharing(t, p, 8)
			for range 5 {
				if got := cutterLengths(t, c, bytes.NewReader(data), data); !slices.Equal(got, want) {
					t.Error("cuts differently beside others")
				}
			}
		})
	}
	all.Wait()
}

func TestSharedSearchAllocatesNothing(t *testing.T) {
	p := testParams(MinAverage)
	data := random(5, 1<<20)
	c := sharing(t, p, 3)
	buf := make([]byte, p.Max())
	r := bytes.NewReader(data)
	cut := func() { cutWhole(c, r, data, buf) }
	for range 20 {
		cut() // the runtime keeps goroutines that have ended for the next
	}
	if n := testing.AllocsPerRun(20, cut); n >= 1 {
		t.Errorf("%v allocations for %d chunks", n, len(libraryLengths(t, p, data)))
	}
}

func BenchmarkShared(b *testing.B) {
	data := random(9, 16<<20)
	for _, n := range []int{1, 2, 4} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			c := sharing(b, testParams(DefaultAverage), n)
			buf := make([]byte, c.params.Max())
			r := bytes.NewReader(data)
			b.SetBytes(int64(len(data)))
			b.ReportAllocs()
			for b.Loop() {
				cutWhole(c, r, data, buf)
			}
		})
	}
}
