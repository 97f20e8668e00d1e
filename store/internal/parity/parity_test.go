package parity

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/kistarchive/kist/store/internal/format"
)

// newSlab gives bytes of a slab, with parity.
func newSlab(t testing.TB, length, percent int, seed uint64) []byte {
	t.Helper()
	slab := make([]byte, length)
	r := rand.New(rand.NewPCG(seed, 7))
	for i := 0; i+8 <= length; i += 8 {
		binary.LittleEndian.PutUint64(slab[i:], r.Uint64())
	}
	if err := Write(slab, percent); err != nil {
		t.Fatal(err)
	}
	return slab
}

// lengths are those of slabs, small and large, and not only PADMÉ lengths.
var lengths = []int{2048, 5000, 40 << 10, 65535, 65536, 300 << 10, 1<<20 - 1, 1 << 20, 3 << 20, format.SlabTarget}

// TestPlans holds every plan against what the field and the promise ask for: a code word has at most 255
// blocks, and a run touches no more blocks of one than it has of parity.
func TestPlans(t *testing.T) {
	for percent := MinPercent; percent <= MaxPercent; percent++ {
		for length := 1 << 10; length <= MaxLength; length += 1 + length/200 {
			p, err := planFor(length, percent)
			if err != nil {
				if length > 16<<10 {
					t.Fatal(err)
				}
				continue
			}
			run := Run(length, percent)
			touched := (run+p.block-2)/p.block + 1 // blocks, where it begins with the last byte of one
			if p.rows+p.spare > 255 || (touched+p.columns-1)/p.columns > p.spare {
				t.Fatalf("%d bytes at %d %%: %+v, and a run of %d", length, percent, *p, run)
			}
			if p.rows*p.size() < p.block+p.before || p.block < format.TrailerSize {
				t.Fatalf("%d bytes at %d %%: no room for all in %+v", length, percent, *p)
			}
		}
	}
}

// TestSizes holds what parity takes of a full slab: what the settings are told by.
func TestSizes(t *testing.T) {
	for percent, most := range map[int]float64{1: 1.4, 3: 3.5, 5: 5.6, 10: 10.9, 20: 21.4} {
		n, ok := Section(format.SlabTarget, percent)
		got := 100 * float64(n) / format.SlabTarget
		if !ok || got < float64(percent) || got > most {
			t.Errorf("%d %% take %.2f %%", percent, got)
		}
	}
	if n := Run(format.SlabTarget, 3); n != 1<<20 {
		t.Errorf("at 3 %% a run of %d is healed", n)
	}
}

func damage(r *rand.Rand, b []byte) {
	for i := range b {
		b[i] ^= byte(1 + r.IntN(255))
	}
}

// TestRuns damages runs of the longest length that is promised, at both ends, across all borders, and
// anywhere.
func TestRuns(t *testing.T) {
	for _, percent := range []int{1, 3, 7, 20} {
		for _, length := range lengths {
			if _, ok := Section(length, percent); !ok {
				continue
			}
			if length > 1<<20 && percent != 3 {
				continue
			}
			slab := newSlab(t, length, percent, 1)
			harmed := bytes.Clone(slab)
			p, _ := planFor(length, percent)
			run := Run(length, percent)
			r := rand.New(rand.NewPCG(2, uint64(length)))
			at := []int{0, length - run}
			for _, border := range []int{p.before, p.before + format.SectionHead + markLength + p.checks(), length - format.TrailerSize - markLength - p.checks(), length - format.TrailerSize} {
				for range 2 {
					at = append(at, border-r.IntN(run+1))
				}
			}
			for range 6 {
				at = append(at, r.IntN(length-run+1))
			}
			for _, at := range at {
				at = min(max(at, 0), length-run)
				damage(r, harmed[at:at+run])
				if _, err := Heal(harmed); err != nil || !bytes.Equal(harmed, slab) {
					t.Fatalf("%d bytes at %d %%: a run of %d at %d: %v, as it was: %t", length, percent, run, at, err, bytes.Equal(harmed, slab))
				}
			}
		}
	}
}

// within tells by the page's rule, and apart from healing, whether damage to the given bytes is within the
// strength: of each code word at most as many blocks are damaged, in themselves or in both of their
// checks, as it has of parity.
func within(p *plan, slab, harmed []byte) bool {
	differs := func(from, to int) bool { return !bytes.Equal(slab[from:to], harmed[from:to]) }
	first := p.before + format.SectionHead + markLength
	second := first + p.checks() + p.parity()
	gap := p.rows*p.columns*p.block - p.before
	bad := make([]int, p.columns)
	for n := range (p.rows + p.spare) * p.columns {
		from, to := n*p.block-gap, (n+1)*p.block-gap // in the slab
		if n >= p.rows*p.columns {
			from = first + p.checks() + (n-p.rows*p.columns)*p.block
			to = from + p.block
		}
		if n > 0 && to <= 0 {
			continue // zeros
		}
		harm := differs(first+4*n, first+4*n+4) && differs(second+4*n, second+4*n+4)
		harm = harm || to > 0 && differs(max(from, 0), to)
		harm = harm || n == 0 && differs(p.length-format.TrailerSize, p.length)
		if harm {
			bad[n%p.columns]++
		}
	}
	for _, n := range bad {
		if n > p.spare {
			return false
		}
	}
	return true
}

// TestRandomDamage damages slabs at random, 10,000 times within what parity can heal, by single bytes and by
// runs: all is healed, to the byte. What is beyond is told, and changed in nothing.
func TestRandomDamage(t *testing.T) {
	want := 10_000
	if testing.Short() {
		want = 1_000
	}
	r := rand.New(rand.NewPCG(3, 3))
	small := []int{2048, 5000, 9000, 20 << 10}
	slabs := make(map[string][]byte)
	healed, beyond := 0, 0
	for i := 0; healed < want; i++ {
		length, percent := small[i%len(small)], 1+r.IntN(8)
		if i%2000 == 999 {
			length = 1 << 20
		}
		p, err := planFor(length, percent)
		if err != nil {
			continue
		}
		key := fmt.Sprint(length, percent)
		if slabs[key] == nil {
			slabs[key] = newSlab(t, length, percent, uint64(i))
		}
		slab := slabs[key]
		harmed := bytes.Clone(slab)
		for range 1 + r.IntN(2+p.spare) {
			n := 1
			if r.IntN(3) == 0 {
				n = 1 + r.IntN(Run(length, percent))
			}
			at := r.IntN(length - n + 1)
			damage(r, harmed[at:at+n])
		}
		before := bytes.Clone(harmed)
		ok := within(p, slab, harmed)
		_, err = Heal(harmed)
		switch {
		case ok && (err != nil || !bytes.Equal(harmed, slab)):
			t.Fatalf("case %d: %d bytes at %d %%: %v, as it was: %t", i, length, percent, err, bytes.Equal(harmed, slab))
		case ok:
			healed++
		case !errors.Is(err, ErrBeyond) || !bytes.Equal(harmed, before):
			t.Fatalf("case %d: %d bytes at %d %%, beyond: %v, changed: %t", i, length, percent, err, !bytes.Equal(harmed, before))
		default:
			beyond++
		}
	}
	if beyond < want/20 {
		t.Errorf("only %d of %d were beyond", beyond, healed+beyond)
	}
}

// multiply multiplies in GF(2^8) modulo x^8+x^4+x^3+x^2+1, bit by bit. That polynomial is the usual one of
// Reed-Solomon codes over bytes (H. P. Anvin, "The mathematics of RAID-6", section 2; from memory).
func multiply(a, b byte) byte {
	var product byte
	for ; b > 0; b >>= 1 {
		if b&1 != 0 {
			product ^= a
		}
		high := a & 0x80
		if a <<= 1; high != 0 {
			a ^= 0x1d
		}
	}
	return product
}

func inverse(a byte) byte {
	for b := range 256 {
		if multiply(a, byte(b)) == 1 {
			return byte(b)
		}
	}
	return 0
}

// TestField holds the multiplication of this test against published examples: powers of 2 in this field
// (Anvin, table of powers: 2^8 = 0x1d, 2^25 = 0x03; from memory).
func TestField(t *testing.T) {
	power := byte(1)
	for n := 1; n <= 255; n++ {
		power = multiply(power, 2)
		if want, known := map[int]byte{8: 0x1d, 25: 0x03, 255: 0x01}[n]; known && power != want {
			t.Errorf("2^%d is %#x, want %#x", n, power, want)
		}
	}
	for a := 1; a < 256; a++ {
		if multiply(byte(a), inverse(byte(a))) != 1 {
			t.Errorf("%d has no inverse", a)
		}
	}
}

// TestCodeWords computes parity by an implementation of its own, from FORMAT.md: parity block q of a code
// word of k blocks is the sum of its blocks r, each by 1/((k+q) xor r).
func TestCodeWords(t *testing.T) {
	for _, c := range []struct{ length, percent int }{{2048, 3}, {30_000, 1}, {70_000, 6}, {1 << 20, 3}} {
		slab := newSlab(t, c.length, c.percent, 5)
		p, err := planFor(c.length, c.percent)
		if err != nil {
			t.Fatal(err)
		}
		all := make([]byte, p.rows*p.columns*p.block)
		copy(all, slab[c.length-format.TrailerSize:])
		copy(all[len(all)-p.before:], slab[:p.before])
		at := p.before + 16 + 16 + p.checks()
		for q := range p.spare {
			for i := 0; i < p.size(); i += 1 + p.size()/50 {
				var want byte
				for r := range p.rows {
					want ^= multiply(inverse(byte(p.rows+q)^byte(r)), all[r*p.size()+i])
				}
				if got := slab[at+q*p.size()+i]; got != want {
					t.Fatalf("%d bytes at %d %%: byte %d of row %d is %#x, want %#x", c.length, c.percent, i, q, got, want)
				}
			}
		}
	}
}

// TestCheckVectors holds the checks against RFC 3720, appendix B.4.
func TestCheckVectors(t *testing.T) {
	ascending := make([]byte, 32)
	for i := range ascending {
		ascending[i] = byte(i)
	}
	for _, c := range []struct {
		block []byte
		want  uint32
	}{{make([]byte, 32), 0x8a9136aa}, {bytes.Repeat([]byte{0xff}, 32), 0x62a8ab43}, {ascending, 0x46dd794e}} {
		if got := check(c.block); got != c.want {
			t.Errorf("%x: %#x, want %#x", c.block, got, c.want)
		}
	}
}

// TestCheck damages the section alone.
func TestCheck(t *testing.T) {
	const length = 40 << 10
	slab := newSlab(t, length, 3, 9)
	p, _ := planFor(length, 3)
	section := func(b []byte) []byte { return b[p.before+format.SectionHead : length-format.TrailerSize] }
	if n, err := Check(length, section(slab)); n != 0 || err != nil {
		t.Fatalf("whole: %d, %v", n, err)
	}
	for at := range section(slab) {
		harmed := bytes.Clone(slab)
		section(harmed)[at] ^= 4
		if n, err := Check(length, section(harmed)); n == 0 || err != nil {
			t.Fatalf("byte %d: %d, %v", at, n, err)
		}
	}
	if _, err := Check(length, make([]byte, 10)); !errors.Is(err, ErrBeyond) {
		t.Error(err)
	}
}

// FuzzHeal gives it what may be no slab at all: it heals nothing wrongly, changes nothing where it says
// no, and ends.
func FuzzHeal(f *testing.F) {
	for _, length := range []int{2048, 5000} {
		f.Add(newSlab(f, length, 3, 1), uint32(100), byte(7))
	}
	f.Add([]byte{}, uint32(0), byte(0))
	f.Fuzz(func(t *testing.T, slab []byte, at uint32, flip byte) {
		if len(slab) > 1<<17 {
			return
		}
		if len(slab) > 0 {
			slab[int(at)%len(slab)] ^= flip
		}
		before := bytes.Clone(slab)
		if _, err := Heal(slab); err != nil {
			if !errors.Is(err, ErrBeyond) || !bytes.Equal(slab, before) {
				t.Fatal(err)
			}
			return
		}
		again := bytes.Clone(slab)
		if n, err := Heal(again); n != 0 || err != nil || !bytes.Equal(again, slab) {
			t.Fatalf("healed, and once more: %d blocks, %v", n, err)
		}
	})
}

func BenchmarkWrite(b *testing.B) {
	for _, percent := range []int{1, 3, 10} {
		b.Run(fmt.Sprint(percent), func(b *testing.B) {
			slab := newSlab(b, format.SlabTarget, percent, 1)
			b.SetBytes(int64(len(slab)))
			for b.Loop() {
				if err := Write(slab, percent); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
