// Package delta says bytes as copies out of a base and literals between them.
//
// A delta has two parts: the literals, one after the other, and the copies that say where they go. Whoever applies one
// holds every number against what there is, so that a forged delta gives an error, and never more bytes than were asked
// for. A sampler finds out which contents are alike before anything is encoded.
package delta

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math/bits"
)

// ErrDamaged is returned for a delta that can't be applied.
var ErrDamaged = errors.New("impossible delta")

func damaged(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrDamaged, fmt.Sprintf(format, args...))
}

// block is the shortest copy that is looked for, and the step in which a base is indexed, in bytes: a shorter copy
// hardly says less than its literals, once both are compressed.
const block = 16

// MaxBase is the length in bytes of the longest base.
const MaxBase = 8 << 20

// Encoder finds copies. It keeps its index for the next delta, and is for one goroutine.
type Encoder struct {
	heads []uint32 // by hash of a block: number of the block in the base, plus 1, and above placeBits the hash's next bits
	shift int      // of hashes
}

// placeBits is how many bits the number of a block takes, plus 1: see MaxBase. The other bits of a head tell most other blocks
// apart without a look at the base, which lies in no cache of a core.
const placeBits = 20

// Encode says target by base: it appends the copies and the literals to what is given. It looks at blocks of base at
// multiples of 16 bytes, and at every place of target; what it finds it makes as long as it goes, both ways.
// base has at most MaxBase bytes.
func (e *Encoder) Encode(copies, literals, base, target []byte) (c, l []byte) {
	e.index(base)
	said, step := 0, 0 // bytes of target that are said; where in base the last copy ended
	for at := 0; ; {
		begin, from := e.find(base, target, at)
		if from < 0 {
			return copies, append(literals, target[said:]...)
		}
		end := from + block
		end += same(base[end:], target[begin+block:])
		for begin > said && from > 0 && target[begin-1] == base[from-1] {
			begin, from = begin-1, from-1
		}
		n := end - from
		copies = binary.AppendUvarint(copies, uint64(begin-said))
		copies = binary.AppendVarint(copies, int64(from-step))
		copies = binary.AppendUvarint(copies, uint64(n))
		literals = append(literals, target[said:begin]...)
		at, step = begin+n, from+n
		said = at
	}
}

// index notes where the blocks of a base lie. Of equal blocks the last one counts.
func (e *Encoder) index(base []byte) {
	n := max(1<<10, 1<<bits.Len(uint(len(base)/block))) // at most half full
	if cap(e.heads) < n {
		e.heads = make([]uint32, n)
	}
	e.heads = e.heads[:n]
	clear(e.heads)
	e.shift = 64 - bits.TrailingZeros(uint(n))
	for at := 0; at+block <= len(base); at += block {
		h := hash(words(base[at:]))
		e.heads[h>>e.shift] = tag(h, e.shift) | uint32(at/block+1)
	}
}

// tag gives the bits of a hash that stand in a head.
func tag(h uint64, shift int) uint32 { return uint32(h>>((shift-32+placeBits)&63)) << placeBits }

// find gives the first place of target, from at on, with a block that base has, and where base has it: -1 where none is
// left.
func (e *Encoder) find(base, target []byte, at int) (place, from int) {
	heads, shift := e.heads, e.shift
	for ; at+block <= len(target); at++ {
		x, y := words(target[at:])
		h := hash(x, y)
		n := heads[h>>(shift&63)] ^ tag(h, shift)
		if n-1 >= 1<<placeBits-1 { // as 0 is
			continue
		}
		from := int(n-1) * block
		if p, q := words(base[from:]); p == x && q == y {
			return at, from
		}
	}
	return at, -1
}

// words gives a block as two numbers.
func words(b []byte) (x, y uint64) {
	return binary.LittleEndian.Uint64(b), binary.LittleEndian.Uint64(b[8:])
}

// hash gives 64 bits of a block, of which the highest are the best. The factors are odd numbers without a pattern:
// the fractional parts of the golden ratio and of the square root of 3.
func hash(x, y uint64) uint64 {
	x *= 0x9e3779b97f4a7c15
	y *= 0xbb67ae8584caa73b
	x ^= bits.RotateLeft64(y, 31)
	return x * 0x9e3779b97f4a7c15
}

// same gives how many bytes a and b begin with that are the same.
func same(a, b []byte) int {
	n := 0
	for len(a)-n >= 8 && len(b)-n >= 8 {
		if x := binary.LittleEndian.Uint64(a[n:]) ^ binary.LittleEndian.Uint64(b[n:]); x != 0 {
			return n + bits.TrailingZeros64(x)/8
		}
		n += 8
	}
	for n < len(a) && n < len(b) && a[n] == b[n] {
		n++
	}
	return n
}
