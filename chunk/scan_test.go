package chunk

import (
	"bytes"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/restic/chunker"
	"pgregory.net/rapid"
)

// plainPlaces is the oracle of search: the fingerprint of each window by itself,
// by the library's arithmetic on polynomials.
func plainPlaces(p Params, data []byte) (places []int) {
	for i := range len(data) - window {
		var f chunker.Pol
		for _, b := range data[i+1 : i+1+window] {
			f = (f<<8 | chunker.Pol(b)).Mod(chunker.Pol(p.Polynomial))
		}
		if f&chunker.Pol(p.Average-1) == 0 {
			places = append(places, i)
		}
	}
	return places
}

// withPlaces gives data in which there are many places to cut at: copies of a
// window that is one, and zeros.
func withPlaces(p Params, n int) []byte {
	data := random(11, 4*p.Average)
	at := plainPlaces(p, data)[0]
	good := data[at+1 : at+1+window]
	out := random(12, n)
	for i := 100; i+window < n; i += 190 + i%61 {
		copy(out[i:], good)
	}
	clear(out[n/2 : n/2+150])
	return out
}

// Every part of the data gives the places that a search of all of it gives,
// wherever it begins and ends, and however much was found there before.
func TestSearchAnyPart(t *testing.T) {
	p := testParams(MinAverage)
	s := newScanner(p)
	const n = 3000
	data := withPlaces(p, window+n+overrun)
	want := plainPlaces(p, data[:window+n])
	if len(want) < 20 {
		t.Fatalf("only %d places", len(want))
	}
	check := func(from, to int) {
		places := make([]uint64, (n+overrun)/64+1)
		for i := range places {
			places[i] = 0x5555555555555555
		}
		s.search(data, from, to, places)
		i, _ := slices.BinarySearch(want, from)
		for at := from; at < to; i++ {
			next := to
			if i < len(want) {
				next = min(want[i], to)
			}
			if got := first(places, at, to); got != next {
				t.Fatalf("from %d to %d: the first place from %d on is %d, not %d", from, to, at, got, next)
			}
			at = next + 1
		}
	}
	for from := range n {
		check(from, n)
		check(n/2, n/2+from%700)
	}
	for _, place := range want {
		for split := max(0, place-window-2); split < min(place+3, n); split++ {
			check(0, split)
			check(split, n)
		}
	}
}

// Real files, whole and from anywhere in them on, as the library cuts them.
func TestSourcesAreCutAsByTheLibrary(t *testing.T) {
	goroot, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Skip(err)
	}
	root := filepath.Join(strings.TrimSpace(string(goroot)), "src", "net")
	p := testParams(DefaultAverage)
	c, _ := NewCutter(p)
	var all []byte
	err = filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.Type().IsRegular() {
			return err
		}
		b, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		all = append(all, b...)
		if got, want := cutterLengths(t, c, bytes.NewReader(b), b), libraryLengths(t, p, b); !slices.Equal(got, want) {
			t.Errorf("%s: %v, library %v", path, got, want)
		}
		return nil
	})
	if err != nil || len(all) < 1<<20 {
		t.Skipf("no Go sources of a MiB in %s: %v", root, err)
	}
	for _, from := range []int{0, 1, 63, 64, 65, 4095, 4096, 300_001} {
		if got, want := cutterLengths(t, c, bytes.NewReader(all[from:]), all[from:]), libraryLengths(t, p, all[from:]); !slices.Equal(got, want) {
			t.Errorf("from byte %d on: %v, library %v", from, got, want)
		}
	}
}

// mixture is data of random bytes, repetitions and runs of one byte.
var mixture = rapid.Custom(func(t *rapid.T) (data []byte) {
	for range rapid.IntRange(0, 12).Draw(t, "pieces") {
		n := rapid.IntRange(0, 150_000).Draw(t, "length")
		switch seed := rapid.Byte().Draw(t, "seed"); seed % 3 {
		case 0:
			data = append(data, random(seed, n)...)
		case 1:
			data = append(data, bytes.Repeat(random(seed, int(seed)+1), n/(int(seed)+1))...)
		default:
			data = append(data, bytes.Repeat([]byte{seed / 3 % 3}, n)...)
		}
	}
	return data
})

func TestMixturesAreCutAsByTheLibrary(t *testing.T) {
	for _, average := range []int{MinAverage, DefaultAverage, 1 << 18} {
		p := testParams(average)
		c, _ := NewCutter(p)
		rapid.Check(t, func(rt *rapid.T) {
			data := mixture.Draw(rt, "data")
			if got, want := cutterLengths(t, c, bytes.NewReader(data), data), libraryLengths(t, p, data); !slices.Equal(got, want) {
				rt.Fatalf("Cutter %v, library %v", got, want)
			}
		})
	}
}

func TestPolynomialsAreCutAsByTheLibrary(t *testing.T) {
	data := random(13, 300_000)
	source := rand.NewChaCha8([32]byte{14})
	for range 30 {
		pol, err := DerivePolynomial(source)
		if err != nil {
			t.Fatal(err)
		}
		p := Params{Average: MinAverage, Polynomial: pol}
		c, _ := NewCutter(p)
		if got, want := cutterLengths(t, c, bytes.NewReader(data), data), libraryLengths(t, p, data); !slices.Equal(got, want) {
			t.Errorf("polynomial %#x: Cutter %v, library %v", pol, got, want)
		}
	}
}

// Chunks that are known are taken without a search, others are found; and the
// chunks are those of the library, whatever guesses come between.
func TestTake(t *testing.T) {
	p := testParams(MinAverage)
	c, _ := NewCutter(p)
	rapid.Check(t, func(rt *rapid.T) {
		data := mixture.Draw(rt, "data")
		want := libraryLengths(t, p, data)
		known := map[string]bool{}
		rest := data
		for _, n := range want {
			known[string(rest[:n])] = true
			rest = rest[n:]
		}
		c.Reset(&raggedReader{bytes.NewReader(data), rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "reads"), 0)), 1 << 18})
		guess := rapid.SampledFrom([]string{"right", "short", "long", "none", "right"})
		same := func(b []byte) bool { return known[string(b)] }
		buf := make([]byte, p.Max())
		rest = data
		for i, n := range want {
			g := guess.Draw(rt, "guess")
			tried := map[string]int{"right": n, "short": n - 1, "long": n + 1, "none": 0}[g]
			chunk := c.Take(tried, same)
			if chunk == nil && g == "right" {
				rt.Fatalf("chunk %d of %d bytes is not taken", i, n)
			}
			if chunk == nil {
				var err error
				if chunk, err = c.Next(buf); err != nil {
					rt.Fatal(err)
				}
			} else if done := i == len(want)-1; c.Done() != done {
				rt.Fatalf("Done is %v behind chunk %d of %d", !done, i, len(want))
			}
			if len(chunk) != n || !bytes.Equal(chunk, rest[:n]) {
				rt.Fatalf("chunk %d has %d bytes, not %d", i, len(chunk), n)
			}
			rest = rest[n:]
		}
		if c.Take(1, same) != nil || !c.Done() {
			rt.Fatal("a chunk behind the end")
		}
		if _, err := c.Next(buf); err != io.EOF {
			rt.Fatal(err)
		}
	})
}

// The last chunk of a content ends where no other content need be cut: it is
// taken at an end alone.
func TestTakeNoEndWithin(t *testing.T) {
	p := testParams(MinAverage)
	c, _ := NewCutter(p)
	data := random(15, 100_000)
	lengths := libraryLengths(t, p, data)
	last := data[:lengths[0]-1]
	c.Reset(bytes.NewReader(data))
	if c.Take(len(last), func(b []byte) bool { return bytes.Equal(b, last) }) != nil {
		t.Error("taken where the content goes on")
	}
	c.Reset(bytes.NewReader(last))
	if c.Take(len(last), func(b []byte) bool { return bytes.Equal(b, last) }) == nil {
		t.Error("not taken where the content ends")
	}
}
