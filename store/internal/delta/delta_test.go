package delta

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// noise gives bytes that nothing else has.
func noise(n int, seed uint64) []byte {
	r := rand.New(rand.NewPCG(seed, 1))
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(r.Uint32())
	}
	return b
}

func join(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

func TestRoundTrip(t *testing.T) {
	base := noise(40_000, 1)
	zeros := make([]byte, 5000)
	tests := []struct {
		name         string
		base, target []byte
		most         int // literals
	}{
		{"nothing of nothing", nil, nil, 0},
		{"nothing", base, nil, 0},
		{"without a base", nil, base, len(base)},
		{"the same", base, base, 0},
		{"another", base, noise(40_000, 2), 40_000},
		{"a byte changed", base, join(base[:20_000], []byte{base[20_000] ^ 1}, base[20_001:]), 1},
		{"bytes put in between", base, join(base[:12_345], []byte("a bean"), base[12_345:]), 6},
		{"bytes taken out", base, join(base[:12_345], base[12_444:]), 0},
		{"parts in another order", base, join(base[30_000:], base[10_000:30_000], base[:10_000]), 40},
		{"bytes before and behind", base, join([]byte("before"), base, []byte("behind")), 12},
		{"zeros", zeros, make([]byte, 70_000), 0},
		{"less than a block", base, base[:15], 15},
		{"a base of less than a block", base[:15], base[:100], 100},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			var e Encoder
			copies, literals := e.Encode(nil, nil, test.base, test.target)
			if len(literals) > test.most {
				t.Errorf("%d literals, at most %d expected", len(literals), test.most)
			}
			got, err := Apply([]byte("x"), copies, literals, len(test.target), test.base)
			if err != nil || !bytes.Equal(got, append([]byte("x"), test.target...)) {
				t.Errorf("%d bytes of %d came back: %v", len(got)-1, len(test.target), err)
			}
		})
	}
}

// Contents that are made of each other at random come back, by one encoder after the other delta.
func TestAnyRoundTrip(t *testing.T) {
	var e Encoder
	rapid.Check(t, func(t *rapid.T) {
		base := noise(rapid.IntRange(0, 3000).Draw(t, "base"), rapid.Uint64Range(0, 3).Draw(t, "seed"))
		var target []byte
		for range rapid.IntRange(0, 12).Draw(t, "parts") {
			if len(base) == 0 || rapid.Bool().Draw(t, "own") {
				target = append(target, rapid.SliceOfN(rapid.Byte(), 0, 70).Draw(t, "bytes")...)
				continue
			}
			from := rapid.IntRange(0, len(base)).Draw(t, "from")
			target = append(target, base[from:rapid.IntRange(from, len(base)).Draw(t, "to")]...)
		}
		copies, literals := e.Encode(nil, nil, base, target)
		got, err := Apply(nil, copies, literals, len(target), base)
		if err != nil || !bytes.Equal(got, target) {
			t.Fatalf("%d bytes of %d came back: %v", len(got), len(target), err)
		}
	})
}

// A base in pieces is the same as one that is whole, and whatever its pieces are.
func TestPieces(t *testing.T) {
	var e Encoder
	rapid.Check(t, func(t *rapid.T) {
		base := noise(rapid.IntRange(0, 500).Draw(t, "base"), 11)
		var target []byte
		for range rapid.IntRange(0, 20).Draw(t, "parts") {
			from := rapid.IntRange(0, len(base)).Draw(t, "from")
			target = append(target, base[from:min(len(base), from+rapid.IntRange(0, 70).Draw(t, "length"))]...)
		}
		copies, literals := e.Encode(nil, nil, base, target)
		got, err := Apply(nil, copies, literals, len(target), cutAt(base, rapid.SliceOf(rapid.IntRange(0, len(base))).Draw(t, "cuts"))...)
		if err != nil || !bytes.Equal(got, target) {
			t.Fatalf("%d bytes of %d came back: %v", len(got), len(target), err)
		}
	})
}

// cutAt cuts bytes at some places, and pieces have no room behind them.
func cutAt(b []byte, cuts []int) (pieces [][]byte) {
	slices.Sort(cuts)
	last := 0
	for _, at := range append(cuts, len(b)) {
		pieces = append(pieces, bytes.Clone(b[last:at]))
		last = at
	}
	return pieces
}

// copiesOf writes copies as FORMAT.md has them: literals, step, length.
func copiesOf(steps ...[3]int64) (b []byte) {
	for _, s := range steps {
		b = binary.AppendUvarint(b, uint64(s[0]))
		b = binary.AppendVarint(b, s[1])
		b = binary.AppendUvarint(b, uint64(s[2]))
	}
	return b
}

// The bytes are those of FORMAT.md, section 7, Deltas.
func TestApply(t *testing.T) {
	got, err := Apply(nil, copiesOf([3]int64{3, 4, 4}, [3]int64{0, -8, 4}), []byte("a: , dry"), 16, []byte("bean seed"))
	if want := "a:  seebean, dry"; err != nil || string(got) != want {
		t.Errorf("%q, %v; want %q", got, err, want)
	}
}

func TestImpossible(t *testing.T) {
	base := []byte("bean seed")
	tests := []struct {
		name     string
		copies   []byte
		literals string
		n        int
	}{
		{"too few literals", nil, "bea", 4},
		{"too many literals", nil, "beans", 4},
		{"literals that are not there", copiesOf([3]int64{2, 0, 1}), "a", 3},
		{"literals without end", copiesOf([3]int64{-1, 0, 1}), "a", 3},
		{"literals without room", copiesOf([3]int64{4, 0, 1}), "aaaa", 3},
		{"before the base", copiesOf([3]int64{0, -1, 1}), "", 1},
		{"far before the base", copiesOf([3]int64{0, -1 << 63, 1}), "", 1},
		{"behind the base", copiesOf([3]int64{0, 10, 1}), "", 1},
		{"far behind the base", copiesOf([3]int64{0, 1<<63 - 1, 1}), "", 1},
		{"over the end of the base", copiesOf([3]int64{0, 8, 2}), "", 2},
		{"a copy of nothing", copiesOf([3]int64{0, 0, 0}), "", 0},
		{"a copy without end", copiesOf([3]int64{0, 0, -1}), "", 4},
		{"a copy without room", copiesOf([3]int64{0, 0, 5}), "", 4},
		{"copies of more than was asked for", copiesOf([3]int64{0, 0, 4}, [3]int64{0, -4, 4}), "", 7},
		{"cut in the literals", []byte{0x80}, "", 1},
		{"cut in the step", copiesOf([3]int64{0, 0, 1})[:1], "", 1},
		{"cut in the length", copiesOf([3]int64{0, 0, 1})[:2], "", 1},
		{"a number of more than 64 bits", bytes.Repeat([]byte{0xff}, 12), "", 1},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			if got, err := Apply(nil, test.copies, []byte(test.literals), test.n, base); !errors.Is(err, ErrDamaged) {
				t.Errorf("gave %q, %v", got, err)
			}
		})
	}
}

// What is held against a base needs those of its pieces that bytes are copied from, and gives the same without the others.
func TestNeeds(t *testing.T) {
	base := []byte("bean seed")
	lengths := []int{0, 4, 0, 1, 4, 0} // "bean", " ", "seed"
	for _, test := range []struct {
		name   string
		copies [][3]int64
		n      int
		want   string // a letter for each piece that is needed
	}{
		{"nothing", nil, 0, "------"},
		{"the first byte", [][3]int64{{0, 0, 1}}, 1, "-x----"},
		{"the last byte", [][3]int64{{0, 8, 1}}, 1, "----x-"},
		{"a byte in between", [][3]int64{{0, 4, 1}}, 1, "---x--"},
		{"to the end of a piece", [][3]int64{{0, 0, 4}}, 4, "-x----"},
		{"over an end", [][3]int64{{0, 3, 2}}, 2, "-x-x--"},
		{"over a piece", [][3]int64{{0, 0, 6}}, 6, "-x-xx-"},
		{"all", [][3]int64{{0, 0, 9}}, 9, "-x-xx-"},
		{"on and back", [][3]int64{{0, 5, 2}, {0, -7, 1}}, 3, "-x--x-"},
		{"back, and on again", [][3]int64{{0, 8, 1}, {0, -9, 1}, {0, 7, 1}}, 3, "-x--x-"},
		{"twice of one", [][3]int64{{0, 5, 1}, {0, 1, 1}}, 2, "----x-"},
	} {
		t.Run(test.name, func(t *testing.T) {
			copies := copiesOf(test.copies...)
			d, err := Parse(copies, nil, test.n, lengths...)
			if err != nil {
				t.Fatal(err)
			}
			var needed []byte
			pieces := cutAt(base, []int{0, 4, 4, 5, 9})
			for i := range pieces {
				if d.Needs(i) {
					needed = append(needed, 'x')
				} else {
					needed, pieces[i] = append(needed, '-'), nil
				}
			}
			want, err := Apply(nil, copies, nil, test.n, base)
			if got := d.Append(nil, pieces...); string(needed) != test.want || err != nil || !bytes.Equal(got, want) {
				t.Errorf("needs %s, want %s; gives %q, want %q, %v", needed, test.want, got, want, err)
			}
		})
	}
}

// Whatever copies say, as many bytes come out as were asked for, out of base and literals.
func FuzzApply(f *testing.F) {
	f.Add(copiesOf([3]int64{3, 4, 4}, [3]int64{0, -8, 4}), []byte("a: , dry"), []byte("bean seed"), uint16(16))
	f.Add(copiesOf([3]int64{0, 0, 9}, [3]int64{0, -9, 9}, [3]int64{0, -9, 9}), []byte{}, []byte("bean seed"), uint16(27))
	f.Add(copiesOf([3]int64{0, -1 << 63, -1}), []byte("x"), []byte("y"), uint16(1000))
	f.Fuzz(func(t *testing.T, copies, literals, base []byte, n uint16) {
		got, err := Apply(nil, copies, literals, int(n), base)
		if cut, e := Apply(nil, copies, literals, int(n), cutAt(base, []int{len(base) / 3, len(base) / 2})...); !bytes.Equal(cut, got) || (e == nil) != (err == nil) {
			t.Fatalf("by a base in pieces: %q, %v; by a whole one: %q, %v", cut, e, got, err)
		}
		if err != nil {
			if !errors.Is(err, ErrDamaged) {
				t.Fatal(err)
			}
			return
		}
		if cut := needed(t, copies, literals, int(n), cutAt(base, []int{len(base) / 3, len(base) / 2})); !bytes.Equal(cut, got) {
			t.Fatalf("by the pieces that are needed: %q; by all: %q", cut, got)
		}
		if len(got) != int(n) || cap(got) > int(n) {
			t.Fatalf("%d bytes in memory for %d, of %d", len(got), cap(got), n)
		}
		var e Encoder
		c, l := e.Encode(nil, nil, base, got)
		if again, err := Apply(nil, c, l, len(got), base); err != nil || !bytes.Equal(again, got) {
			t.Fatalf("encoded anew: %v", err)
		}
	})
}

// needed applies a delta that is possible to a base without the pieces that it does not need.
func needed(t *testing.T, copies, literals []byte, n int, pieces [][]byte) []byte {
	var lengths []int
	for _, piece := range pieces {
		lengths = append(lengths, len(piece))
	}
	d, err := Parse(copies, literals, n, lengths...)
	if err != nil {
		t.Fatal(err)
	}
	for i := range pieces {
		if !d.Needs(i) {
			pieces[i] = nil
		}
	}
	return d.Append(nil, pieces...)
}

// Stretches of the longest base are found, from its first to its last byte, and no other bytes are taken for them.
func TestLongestBase(t *testing.T) {
	const stretch = 16 * block // some block of it is found: one may give way to another one with its hash
	base := noise(MaxBase, 8)
	var target []byte
	for at := 0; at < len(base); at += 1 << 20 {
		target = join(target, base[at:at+stretch], []byte("pea"), base[at+1<<20-stretch:at+1<<20], noise(block, uint64(at)))
	}
	var e Encoder
	copies, literals := e.Encode(nil, nil, base, target)
	if want := 8 * (3 + block); len(literals) != want {
		t.Errorf("%d literals, expected %d", len(literals), want)
	}
	got, err := Apply(nil, copies, literals, len(target), base)
	if err != nil || !bytes.Equal(got, target) {
		t.Errorf("%d bytes of %d came back: %v", len(got), len(target), err)
	}
}

// Blocks that are half the same, of which some have equal bits of their hashes in the index, are not taken for each other.
func TestHalvesOfBlocks(t *testing.T) {
	halves := func(n int, seed uint64) []byte {
		b := noise(n*block, seed)
		for i := range n {
			clear(b[i*block:][:block/2])
		}
		return b
	}
	base, target := halves(1<<16, 9), halves(100_000, 10)
	var e Encoder
	copies, literals := e.Encode(nil, nil, base, target)
	got, err := Apply(nil, copies, literals, len(target), base)
	if err != nil || !bytes.Equal(got, target) {
		t.Errorf("%d bytes of %d came back: %v", len(got), len(target), err)
	}
}

// Of a delta that says more than was asked for no more is taken into memory than that: some bytes here, where it says 8 MiB.
func TestImpossibleTakesNoMemory(t *testing.T) {
	long := make([]byte, 1<<20)
	var copies [][3]int64
	for range 8 {
		copies = append(copies, [3]int64{0, 0, 1 << 20}, [3]int64{0, -1 << 20, 1})
	}
	for name, test := range map[string]struct{ copies, literals []byte }{
		"copies":   {copiesOf(append(copies, [3]int64{0, -1, 1})...), nil},
		"literals": {copiesOf([3]int64{8 << 20, 0, 1}), make([]byte, 8<<20)},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Apply(nil, test.copies, test.literals, 100, long)
		runtime.ReadMemStats(&after)
		if took := after.TotalAlloc - before.TotalAlloc; !errors.Is(err, ErrDamaged) || took > 100_000 {
			t.Errorf("%s: %d bytes of memory for 100, %v", name, took, err)
		}
	}
}
