package delta

import "testing"

// One byte in 500 is another: what pages of a database look like between two captures.
func alike() (base, target []byte) {
	base = noise(256<<10, 5)
	target = append(target, base...)
	for i := 0; i < len(target); i += 500 {
		target[i] ^= 1
	}
	return base, target
}

func BenchmarkEncode(b *testing.B) {
	base, target := alike()
	var e Encoder
	var copies, literals []byte
	b.SetBytes(int64(len(target)))
	for b.Loop() {
		copies, literals = e.Encode(copies[:0], literals[:0], base, target)
	}
}

func BenchmarkApply(b *testing.B) {
	base, target := alike()
	var e Encoder
	copies, literals := e.Encode(nil, nil, base, target)
	var got []byte
	b.SetBytes(int64(len(target)))
	for b.Loop() {
		got, _ = Apply(got[:0], copies, literals, len(target), base)
	}
}

func BenchmarkAnchors(b *testing.B) {
	s := NewSampler()
	base, _ := alike()
	var anchors []uint64
	b.SetBytes(int64(len(base)))
	for b.Loop() {
		anchors = s.Append(anchors[:0], base, 1024)
	}
}

// Nothing in common: what most of a target is.
func BenchmarkEncodeUnlike(b *testing.B) {
	base, target := noise(1<<20, 6), noise(256<<10, 7)
	var e Encoder
	var copies, literals []byte
	b.SetBytes(int64(len(target)))
	for b.Loop() {
		copies, literals = e.Encode(copies[:0], literals[:0], base, target)
	}
}

// Short copies from anywhere in a base of several chunks: what pages of an index of a database look like.
func BenchmarkApplyShort(b *testing.B) {
	const length, steps, chunk = 24, 1000, 20 << 10
	base := noise(10*chunk, 8)
	var copies []byte
	for i, last := 0, 0; i < steps; i++ {
		from := i * 7919 * 1000 % (len(base) - length)
		copies = append(copies, copiesOf([3]int64{0, int64(from - last), length})...)
		last = from + length
	}
	var pieces [][]byte
	for at := 0; at < len(base); at += chunk {
		pieces = append(pieces, base[at:at+chunk])
	}
	var got []byte
	b.SetBytes(steps * length)
	for b.Loop() {
		got, _ = Apply(got[:0], copies, nil, steps*length, pieces...)
	}
}
